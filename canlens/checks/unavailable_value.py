"""unavailable-value: signals said error or not available.

Looks for
    In messages with 29-bit identifiers, signals of one, two or four whole bytes whose top byte is FE (error) or FF (not
    available), as J1939 reserves them: outside the declared range, or in every frame where no range is declared.
Why it matters
    Such a value is no measured value: the sender has no sensor there, or a broken one.
Evidence
    Signal, how many of its frames; lines of the first ones.
Cannot tell
    Whether the message follows J1939 at all; the two-bit states are left to the value tables.
Next step
    List the raw values under "unknown" in the plan if a control uses the signal; look for a signal with a value.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import counted, some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import OddValue


WORDS = {"error": "error", "not-available": "not available"}


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find signals without a value, in one finding each for the plan's messages and for the others."""
    definitions = evidence.definitions
    odd = [each for each in definitions.odd_values if each.kind in WORDS]
    own = [each for each in odd if definitions.concerns_plan(each.path)]
    rest = [each for each in odd if not definitions.concerns_plan(each.path)]
    for found, is_own in ((own, True), (rest, False)):
        if found:
            yield Finding(
                check="unavailable-value",
                severity="warning" if is_own else "note",
                subject=tuple(each.path for each in found[:1]),
                claim=f"{counted(len(found), 'signal')} said error or not available: {some(map(_shown, found))}.",
                evidence=lines_of(*(each.places for each in found)),
                cannot_tell="Whether the message follows J1939, which reserves these values.",
                next_step="Look for a signal that has a value, or list these raw values as unknown in the plan.",
                would_change="Frames with a measured value.",
            )


def _shown(value: OddValue) -> str:
    return f"{value.path} ({WORDS[value.kind]} in {value.count} of {value.frames} frames)"


CHECK = BusCheck("unavailable-value", find)
