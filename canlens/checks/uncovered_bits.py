"""uncovered-bits: bits moved where no signal lies.

Looks for
    Bits of defined messages that were 0 in one frame and 1 in another, though no signal of the message covers them.
Why it matters
    What a control does may show in a bit that the database does not know; a signal may be declared too short.
Evidence
    Message and bits (byte.bit, bit 0 the least significant); line of the first move.
Cannot tell
    What they mean: counters and checksums are often left out of a database.
Next step
    If a control does not show in any signal, look at these bits while it is operated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import UncoveredBits


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find bits without a signal: one finding each for the plan's messages and for the others."""
    definitions = evidence.definitions
    own = [each for each in definitions.uncovered if definitions.concerns_plan(each.name)]
    rest = [each for each in definitions.uncovered if not definitions.concerns_plan(each.name)]
    for found in (own, rest):
        if found:
            bits = sum(len(each.bits) for each in found)
            yield Finding(
                check="uncovered-bits",
                severity="note",
                subject=tuple(each.name for each in found[:1]),
                claim=f"{bits} bits moved where no signal lies: {some(map(_shown, found))}.",
                evidence=lines_of(*(each.places for each in found)),
                cannot_tell="What they mean; counters and checksums are often left out of a database.",
                next_step="Look at these bits if a control shows in no signal.",
                would_change="A database with signals there.",
            )


def _shown(message: UncoveredBits) -> str:
    """Return the bits as ranges, byte by byte: ``Body 3.0-3.3``."""
    spans: list[list[int]] = []
    for bit in message.bits:
        if spans and bit == spans[-1][1] + 1 and bit % 8:
            spans[-1][1] = bit
        else:
            spans.append([bit, bit])
    return f"{message.name} {some(map(_span, spans), most=3)}"


def _span(ends: list[int]) -> str:
    first, last = (f"{bit // 8}.{bit % 8}" for bit in ends)
    return first if first == last else f"{first}-{last}"


CHECK = BusCheck("uncovered-bits", find)
