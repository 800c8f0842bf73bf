"""silent-controller: there is traffic, but not one message of the controller.

Looks for
    A plan that names the controller's node, a recording with traffic, and no frame of any message that this node sends.
Why it matters
    The controller is not powered, not connected to this bus, or hears at another bit rate.
Evidence
    The node's messages in the DBC; the number of other frames.
Cannot tell
    Which of these it is. A controller that only listens sends nothing by design.
Next step
    Measure the controller's supply and ground at its own plug, under load.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import MEASURE_LIVE, Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find a controller that says nothing."""
    if evidence.controller_seen is not False or not evidence.frames or not evidence.fits:
        return
    node = evidence.plan.controller.node or ""
    own = [each.name for each in evidence.plan.database.messages if node in each.senders]
    yield Finding(
        check="silent-controller",
        severity="failure",
        subject=(node,),
        claim=f"{node} sent nothing: no frame of {', '.join(own) or 'its messages'} among {evidence.frames} frames.",
        cannot_tell="Whether it has no supply, no bus, or another bit rate.",
        next_step=f"Measure supply and ground of {node} at its own plug with a lamp as load, then H and L there.",
        would_change=f"Frames of {node}.",
        caution=MEASURE_LIVE,
    )


CHECK = Check("silent-controller", find)
