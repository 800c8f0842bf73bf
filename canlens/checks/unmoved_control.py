"""unmoved-control: the person operated a control, but its signal never moved.

Looks for
    Controls with marked exercises whose message is on the bus and whose signal shows no rising edge at all.
Why it matters
    The finger did its part; the switch, its wire, the module that reads it or the DBC did not.
Evidence
    The number of marked exercises.
Cannot tell
    Whether the switch is faulty or the signal is not the right one: a bit beside it may move.
Next step
    See whether the control's original function works; then record once more and look for the bit that does move.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import Finding
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find controls that were operated and did not move."""
    for name, own in evidence.controls.items():
        if own.marked is None or not own.is_unmoved:
            continue
        shown = f"{len(own.marked) - own.missed} times" if own.missed < len(own.marked) else "nothing"
        signal = evidence.plan.controls[name].condition.reference.path
        yield Finding(
            check="unmoved-control",
            severity="failure",
            subject=(name,),
            claim=f"Your notes say that {name} was operated {times(len(own.marked))}; {signal} shows {shown} of it.",
            cannot_tell="Whether the switch is faulty or this is not its signal.",
            next_step=f"See whether the original function of {name} works. If it does, {signal} is not its signal.",
            would_change=f"{signal} moving when {name} is operated.",
        )


CHECK = Check("unmoved-control", find)
