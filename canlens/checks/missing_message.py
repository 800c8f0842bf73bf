"""missing-message: a message that the plan needs never came.

Looks for
    Messages of the plan's controls and outputs of which the recording, though it has traffic, holds no frame.
Why it matters
    What is not on this bus cannot drive anything: wrong connector, wrong bus, a gateway that keeps it back, or a
    wrong identifier in the DBC.
Evidence
    Name and identifier of the message; what of the plan hangs on it.
Cannot tell
    Whether the message is sent elsewhere or nowhere.
Next step
    Record at the intended connector; compare the identifier in the DBC with those in the recording.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find messages that never came."""
    if not evidence.frames or not evidence.fits:
        return
    for name in evidence.missing_messages:
        message = evidence.plan.database.message(name)
        identifier = f"0x{message.identifier:x}" if message else "?"
        users = _users(evidence, name)
        yield Finding(
            check="missing-message",
            severity="failure",
            subject=(name,),
            claim=f"{name} ({identifier}) never came; {', '.join(users)} cannot be judged without it.",
            cannot_tell="Whether it is sent on another bus or not at all.",
            next_step=f"Record at the intended connector; see whether {identifier} is the right identifier.",
            would_change=f"Frames of {identifier} in the recording.",
        )


def _users(evidence: Evidence, message: str) -> list[str]:
    """Name the controls and outputs that hang on a message."""
    controls = [
        name for name, each in evidence.plan.controls.items() if each.condition.reference.message.name == message
    ]
    outputs = [
        name
        for name, each in evidence.plan.outputs.items()
        if any(
            reference.message.name == message
            for reference in (
                each.command.reference if each.command else None,
                each.level,
                each.current,
                each.voltage,
            )
            if reference is not None
        )
    ]
    return list(dict.fromkeys([*controls, *outputs])) or ["part of the plan"]


CHECK = Check("missing-message", find)
