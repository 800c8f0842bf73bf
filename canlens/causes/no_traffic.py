"""no-traffic: nothing on the bus.

What is wrong
    The bus sleeps, its lines are shorted or open, or the recorder is not connected or not listening.
Speaks for it
    A recording without any data or remote frame.
Speaks against it
    Any data or remote frame.
Next test
    Ignition on, record again. If it stays empty: battery off, measure H to L; then battery on, H and L to ground.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import CERTAIN, Candidate
from canlens.cautions import WIRING
from canlens.findings import Cause

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.evidence import Evidence


def weigh(evidence: Evidence) -> Iterator[Cause]:
    """Name the cause where there is no frame; the absence is what it says, so it is certain."""
    if evidence.frames:
        return
    seen = f"{evidence.recording.error_frames} error frames, " if evidence.recording.error_frames else ""
    yield Cause(
        cause="no-traffic",
        scope="bus",
        subject=(),
        probability=CERTAIN,
        because=(f"{seen}no data or remote frame in {evidence.recording.duration_s:.1f} s",),
        next_test=(
            "Ignition on, record again. If it stays empty: battery off, measure H to L (about 60 ohm on a "
            "high-speed bus, under 2 ohm is a short)."
        ),
        caution=WIRING,
    )


CANDIDATE = Candidate("no-traffic", "bus", weigh)
