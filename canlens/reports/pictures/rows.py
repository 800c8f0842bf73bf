"""Rows: where the lanes of a picture stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.picture_evidence import DrawnRecording

Rows = dict[tuple[str, str], float]
"""Kind and name of a lane → height of its foot."""

PITCH = 10.0
"""Height of a row in units of the upright axis; the row's name stands in its upper half."""
PITCH_PX = 38
BASE, TOP = 1.2, 5.2
"""Height of off and on above the foot of a row."""


def row_of(drawn: DrawnRecording) -> Rows:
    """Return the foot of every lane, from the top downwards."""
    return {(lane.kind, lane.name): -(number + 1) * PITCH for number, lane in enumerate(drawn.lanes)}
