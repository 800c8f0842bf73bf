"""unheard-control: a control moved, but the controller says that it did not notice.

Looks for
    Controls with a planned ``noticed`` signal that never followed the control's exercises.
Why it matters
    The request reached the bus; the controller does not hear it: wrong profile, wrong identifier, or an input that
    is off.
Evidence
    Log lines of the control's exercises.
Cannot tell
    Whether the controller looks for another message or is told to ignore this one.
Next step
    Compare the vehicle profile in the controller's configuration with the vehicle.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, lines_of
from canlens.results.finding import Finding
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find controls that the controller does not notice."""
    for name, own in evidence.controls.items():
        if not own.is_unheard:
            continue
        yield Finding(
            check="unheard-control",
            severity="failure",
            subject=(name,),
            claim=f"{name} was operated {times(len(own.exercises))}; the controller's own report never followed.",
            evidence=lines_of(own.exercises),
            cannot_tell="Whether the controller listens for another message or ignores this one.",
            next_step="Compare the vehicle profile in the controller's configuration with the vehicle.",
            would_change=f"The controller's report following {name}.",
        )


CHECK = Check("unheard-control", find)
