"""controller-silent: traffic, but not one message of the controller.

What is wrong
    The controller has no supply or ground, is not on this bus, or works at another bit rate.
Speaks for it
    A node named in the plan, none of whose messages came, on a bus with traffic.
Speaks against it
    Any frame of the controller.
Next test
    Measure the controller's supply and ground at its own plug, under load; then H and L there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import CERTAIN, Candidate
from canlens.cautions import MEASURE_LIVE
from canlens.findings import Cause

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.evidence import Evidence


def weigh(evidence: Evidence) -> Iterator[Cause]:
    """Name the cause where the controller's node is absent; the absence is what it says, so it is certain."""
    if evidence.controller_seen is not False or not evidence.frames:
        return
    node = evidence.plan.controller.node or ""
    yield Cause(
        cause="controller-silent",
        scope="controller",
        subject=(node,),
        probability=CERTAIN,
        because=(f"{evidence.frames} frames, none of them sent by {node}",),
        next_test=f"Measure supply and ground of {node} at its own plug with a lamp as load, then H and L there.",
        caution=MEASURE_LIVE,
    )


CANDIDATE = Candidate("controller-silent", "controller", weigh)
