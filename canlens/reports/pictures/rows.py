"""Rows: where the lanes of a picture stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.picture_evidence import DrawnRecording

Rows = dict[tuple[str, str], int]
"""Kind and name of a lane → height of its foot."""

PITCH = 20
"""Height of a row in units of the upright axis; the row's name stands in its upper half. Heights are whole numbers, so
that a column of them takes two bytes each."""
PITCH_PX = 38
BASE, TOP, NAME = 2, 10, 11
"""Height of off, of on and of the name above the foot of a row."""


def row_of(drawn: DrawnRecording) -> Rows:
    """Return the foot of every lane, from the top downwards."""
    return {(lane.kind, lane.name): -(number + 1) * PITCH for number, lane in enumerate(drawn.lanes)}
