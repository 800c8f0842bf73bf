"""Timeline: a quantity that jumps from one value to the next, known for all times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.signals import Floats


Spans = tuple[tuple[float, float], ...]
"""(start, end) of each [s], ascending."""


@dataclass(frozen=True, eq=False)
class Timeline:
    """A step function of time.

    Attributes
    ----------
    time_s
        float64 (k,): when it jumps [s], ascending.
    value
        float64 (k,): the value from then on.
    first
        The value before the first jump.
    """

    time_s: Floats
    value: Floats
    first: float = 0.0

    def at(self, time_s: Floats) -> Floats:
        """Return float64 (n,): the value at each time; a jump counts from its own instant on."""
        values = np.append(self.first, self.value)
        picked: Floats = values[np.searchsorted(self.time_s, time_s, side="right")]
        return picked

    def jumps(self) -> Timeline:
        """Return the same function without the entries that change nothing."""
        before = np.append(self.first, self.value[:-1])
        keep = self.value != before
        return Timeline(self.time_s[keep], self.value[keep], self.first)

    def spans(self, end_s: float) -> list[tuple[float, float]]:
        """Return where it is not 0 as (start, end), from 0 up to ``end_s``."""
        line = self.jumps()
        starts = np.append(0.0, line.time_s)
        ends = np.append(line.time_s, end_s)
        values = np.append(line.first, line.value)
        return [
            (float(start), float(end))
            for start, end, value in zip(starts, ends, values, strict=True)
            if value and end > start
        ]


def constant(value: float) -> Timeline:
    """Return a function that never jumps."""
    return Timeline(np.zeros(0), np.zeros(0), value)


def from_spans(spans: Sequence[tuple[float, float]]) -> Timeline:
    """Return 1 inside the spans and 0 outside; spans that overlap or touch become one.

    Examples
    --------
    >>> from_spans([(1.0, 3.0), (2.0, 4.0)]).time_s.tolist()
    [1.0, 4.0]
    """
    merged: list[list[float]] = []
    for start, end in sorted(spans):
        if end <= start:
            continue
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    times = np.array([time for span in merged for time in span], np.float64)
    return Timeline(times, (np.arange(1, len(times) + 1) % 2).astype(np.float64))


def all_jumps(several: Sequence[Timeline]) -> Floats:
    """Return every time at which one of them jumps, each once, ascending."""
    return np.unique(np.concatenate([np.zeros(0), *(line.time_s for line in several)]))
