"""message-missing: a cyclic message of the DBC never came.

What is wrong
    The recording was made on another bus or connector, a gateway keeps the message back, or the DBC has another
    identifier.
Speaks for it
    Traffic, a message that the plan needs, and not one frame of it. A declared cycle time makes it certain.
Speaks against it
    No declared cycle time: the message may be sent only while its control is operated.
Next test
    Record at the intended connector, with every control operated once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import CERTAIN, Candidate
from canlens.findings import Cause

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.evidence import Evidence

EVEN = 0.5
"""Without a declared cycle time, silence speaks as much for a control that was not operated (no better knowledge)."""


def weigh(evidence: Evidence) -> Iterator[Cause]:
    """Name each message of the plan that never came, the controller's own left to its silence."""
    if not evidence.frames:
        return
    silent = evidence.plan.controller.node if evidence.controller_seen is False else None
    for name in evidence.missing_messages:
        message = evidence.plan.database.message(name)
        if message is None or silent in message.senders:
            continue
        cyclic = message.cycle_time_s is not None
        yield Cause(
            cause="message-missing",
            scope="bus",
            subject=(name,),
            probability=CERTAIN if cyclic else EVEN,
            because=(f"no frame of 0x{message.identifier:x} among {evidence.frames}",),
            against=() if cyclic else ("the DBC declares no cycle time; it may be sent only on a change",),
            next_test=f"Record at the intended connector, every control operated; look for 0x{message.identifier:x}.",
        )


CANDIDATE = Candidate("message-missing", "bus", weigh)
