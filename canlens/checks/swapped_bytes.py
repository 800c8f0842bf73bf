"""swapped-bytes: a signal moves smoothly only with its bytes in the other order.

Looks for
    Signals of two to four whole bytes that jump by about 256 again and again, while the same bytes read in the other
    order move in small steps; at least thirty changes, and a way eight times as long.
Why it matters
    With the wrong byte order a signal still moves, but its values are nonsense.
Evidence
    How often it jumped, how much longer its way is than in the other order; lines of the first jumps.
Cannot tell
    Whether the bytes are one signal at all.
Next step
    Change @1 to @0 (or @0 to @1) and the start bit in the database, then compare with what can be seen or measured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import SwappedBytes


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find signals with the wrong byte order."""
    definitions = evidence.definitions
    for each in definitions.swapped:
        is_grave = definitions.planned is None or definitions.concerns_plan(each.path)
        yield Finding(
            check="swapped-bytes",
            severity="warning" if is_grave else "note",
            subject=(each.path,),
            claim=_claim(each),
            evidence=lines_of(each.places),
            cannot_tell="Whether these bytes are one signal at all.",
            next_step=f"Give {each.path} the other byte order in the database, and compare with what can be measured.",
            would_change="A signal that moves in small steps as declared.",
        )


def _claim(signal: SwappedBytes) -> str:
    return (
        f"{signal.path} jumped by about 256 in {signal.jumps} of {signal.moves} changes; with its bytes in the other"
        f" order it moves in steps {signal.ratio:.0f} times smaller."
    )


CHECK = BusCheck("swapped-bytes", find)
