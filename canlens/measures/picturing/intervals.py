"""Intervals of a picture: how often each message came against what its database declares."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.message_evidence import MessageEvidence

MOST_ROWS = 40
"""Messages that one picture can show so that each can still be read (our choice)."""


@dataclass(frozen=True)
class IntervalRow:
    """One message; all times [s], None where not known.

    Attributes
    ----------
    name, identifier, channel, frames
        Which it is, and how many came.
    median_s, least_s, greatest_s
        Of the measured intervals.
    middle_s
        Between these lie the middle 95 %; None unless it is sent on a beat alone.
    declared_s
        The cycle time that the database declares.
    gaps, missed
        How often it stayed away, and how many frames should have come in that time.
    """

    name: str
    identifier: str
    channel: str
    frames: int
    median_s: float
    least_s: float
    greatest_s: float
    middle_s: tuple[float, float] | None
    declared_s: float | None
    gaps: int
    missed: int

    @property
    def off_by(self) -> float:
        """How far the median is from the declared cycle, as a share of it; 0 where none is declared."""
        return abs(self.median_s - self.declared_s) / self.declared_s if self.declared_s else 0.0


def interval_rows(every: Sequence[MessageEvidence], *, most: int = MOST_ROWS) -> tuple[IntervalRow, ...]:
    """Choose the messages that are drawn: those furthest from their declared cycle or with gaps first, shown by cycle.

    Messages of which fewer than two frames came have no interval and no row.
    """
    rows = [row for row in map(_row, every) if row is not None]
    telling = sorted(rows, key=lambda row: (-round(row.off_by, 1), -row.gaps, row.declared_s is None, row.median_s))
    return tuple(sorted(telling[:most], key=lambda row: (row.median_s, row.identifier)))


def _row(own: MessageEvidence) -> IntervalRow | None:
    if own.interval is None or not math.isfinite(own.interval.median):
        return None
    middle = None
    if own.jitter_s is not None:
        beat_s = own.cycle_s if own.cycle_s is not None else own.interval.median
        middle = (max(beat_s - own.jitter_s, own.interval.min), min(beat_s + own.jitter_s, own.interval.max))
    return IntervalRow(
        name=own.name,
        identifier=f"0x{own.identifier:x}",
        channel=own.channel,
        frames=own.frames,
        median_s=own.interval.median,
        least_s=own.interval.min,
        greatest_s=own.interval.max,
        middle_s=middle,
        declared_s=own.declared_s,
        gaps=len(own.gaps.seen),
        missed=own.gaps.missed,
    )
