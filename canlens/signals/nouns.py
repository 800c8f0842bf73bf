"""Signal: one decoded column of a recording."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from canlens.database import SignalDefinition
    from canlens.trace import Ints, Rows

Floats = npt.NDArray[np.float64]
Raw = npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64] | npt.NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Signal:
    """One decoded signal: its value in every frame that carries it, in file order.

    A frame carries a signal if its payload is long enough for all bits of the signal and, where the signal is
    multiplexed, shows one of its pages. Signals of one message share the columns that do not differ.

    Attributes
    ----------
    path
        ``MESSAGE.SIGNAL``.
    definition
        How it was decoded.
    rows
        intp (k,): rows of the trace.
    time_s
        float64 (k,): time since the recording's first frame [s].
    line
        int64 (k,): line numbers of the log.
    raw
        Raw value, exact (k,): int64; uint64 for unsigned signals of 64 bits; float64 for floats; Python
        integers (object) for signals longer than 64 bits.
    value
        float64 (k,): scaled value in the definition's unit. Whole numbers are scaled exactly, then rounded
        once.
    """

    path: str
    definition: SignalDefinition
    rows: Rows
    time_s: Floats
    line: Ints
    raw: Raw
    value: Floats

    def __post_init__(self) -> None:
        for column in (self.rows, self.time_s, self.line, self.raw, self.value):
            column.setflags(write=False)

    def __len__(self) -> int:
        return len(self.rows)
