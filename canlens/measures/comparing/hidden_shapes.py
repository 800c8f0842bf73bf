"""Hidden shapes: how values are distributed of which many are only known to lie between two bounds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

REACH = 4.0
"""Values are looked at to so many standard deviations on both sides; what lies further counts as there."""
STEPS = 6
"""Steps of a standard deviation."""
CELLS = int(2 * REACH * STEPS)
CENTRES = (np.arange(CELLS) + 0.5) / STEPS - REACH
SWEEPS = 8
"""So often the distribution is made anew from what it says of the hidden values (more changed nothing)."""
KERNEL = (1 / 16, 2 / 16, 3 / 16, 4 / 16, 3 / 16, 2 / 16, 1 / 16)
"""What neighbours get of a cell: without it a few known values would seem to tell where all hidden ones lie."""
LEAST = 1e-9


@dataclass(frozen=True, eq=False)
class Hidden:
    """Values in units of their stream's scale; k values of g streams.

    Attributes
    ----------
    stream
        int64 (k,): from 0 on.
    least, most
        int64 (k,): cells of the bounds.
    is_known
        bool (k,): which are known themselves.
    streams
        How many there are.
    """

    stream: Ints
    least: Ints
    most: Ints
    is_known: Bools
    streams: int

    @classmethod
    def of(cls, stream: Ints, bounds: tuple[Floats, Floats], is_known: Bools, streams: int) -> Hidden:
        """Put values into cells."""
        least, most = (np.clip(np.floor((each + REACH) * STEPS), 0, CELLS - 1).astype(np.int64) for each in bounds)
        return cls(stream, least, most, is_known, streams)

    @property
    def ends(self) -> tuple[Ints, Ints]:
        """Where in sums over the cells, which begin with 0, those of each hidden value begin and end."""
        unknown = ~self.is_known
        row = self.stream[unknown] * (CELLS + 1)
        return row + self.least[unknown], row + self.most[unknown] + 1


@dataclass(frozen=True, eq=False)
class Shape:
    """The share of each cell, float64 (g, CELLS), and with ``moment`` its moments."""

    share: Floats

    def moment(self, power: int) -> Floats:
        """Return the mean of a power of the values, float64 (g,)."""
        return np.asarray(self.share @ CENTRES**power, np.float64)

    def between(self, ends: tuple[Ints, Ints], power: int) -> Floats:
        """Return the share of what lies between two ends, times a power of the values; float64 (k,)."""
        total = _running(self.share * CENTRES**power)
        return np.asarray(total[ends[1]] - total[ends[0]], np.float64)


def shape_of(hidden: Hidden) -> Shape:
    """Estimate how the values of each stream are distributed, whatever the shape.

    The estimate agrees with itself: each hidden value is shared out over its cells as the distribution itself says.

    References
    ----------
    B. W. Turnbull, The empirical distribution function with arbitrarily grouped, censored and truncated data,
    J. R. Statist. Soc. B 38 (1976) 290-295. Smoothed after each step as in B. W. Silverman, M. C. Jones, J. D. Wilson
    and D. W. Nychka, J. R. Statist. Soc. B 52 (1990) 271-324.
    """
    size = hidden.streams * CELLS
    known = (hidden.stream * CELLS + hidden.least)[hidden.is_known]
    counted = np.bincount(known, minlength=size).reshape(-1, CELLS).astype(np.float64)
    ends = hidden.ends
    share = (1 / CELLS + counted / np.maximum(counted.sum(axis=1, keepdims=True), 1)) / 2
    for _ in range(SWEEPS):
        total = _running(share)
        weight = 1 / np.maximum(total[ends[1]] - total[ends[0]], LEAST)
        begun, ended = (np.bincount(end, weight, minlength=hidden.streams * (CELLS + 1)) for end in ends)
        over = np.cumsum((begun - ended).reshape(-1, CELLS + 1), axis=1)[:, :CELLS]
        share = _smoothed(np.maximum(counted + share * over, 0.0))
        share /= np.maximum(share.sum(axis=1, keepdims=True), LEAST)
    return Shape(share)


def _smoothed(share: Floats) -> Floats:
    """Let each cell share with its neighbours; what would leave at the ends stays there."""
    wide = np.pad(share, ((0, 0), (len(KERNEL) // 2,) * 2), mode="symmetric")
    return np.asarray(sum(each * wide[:, at : at + CELLS] for at, each in enumerate(KERNEL)), np.float64)


def _running(values: Floats) -> Floats:
    """Return the running sums of each row, with a 0 in front, one row after the other."""
    total = np.zeros((len(values), values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    return total.reshape(-1)
