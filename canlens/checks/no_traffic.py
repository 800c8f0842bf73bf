"""no-traffic: the recording holds no frame.

Looks for
    A recording (or the chosen channel of it) without any data or remote frame.
Why it matters
    An empty recording is not a test. Nothing in the install can be judged from it.
Evidence
    The number of frames: none.
Cannot tell
    Whether the bus slept, is shorted or open, runs at another bit rate, or the recorder was not connected.
Next step
    Ignition on, start the recorder again; if it stays empty, measure H to L with the battery off, then H and L with
    it on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import WIRING, Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find a recording without traffic."""
    if evidence.frames:
        return
    errors = evidence.recording.error_frames
    seen = f"only {errors} error frames" if errors else "no frame at all"
    duration_s = evidence.recording.duration_s
    span = f" in {duration_s:.1f} s" if duration_s else " in the recording"
    yield Finding(
        check="no-traffic",
        severity="failure",
        subject=(),
        claim=f"There is no traffic: {seen}{span}.",
        cannot_tell="Whether the bus slept, is shorted or open, or the recorder was not listening.",
        next_step=(
            "Ignition on, check the recorder's bit rate, record again. If it stays empty: battery off, measure H to L "
            "(about 60 ohm on a high-speed bus)."
        ),
        would_change="Frames in a recording made with the ignition on.",
        caution=WIRING,
    )


CHECK = Check("no-traffic", find)
