"""Signals: Trace and message definition in, whole decoded columns out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from canlens.database import Message, SignalDefinition
from canlens.trace import Ints, Rows, Trace

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Signal:
    """One decoded signal: its value in every frame that carries it, in file order.

    Attributes
    ----------
    path
        ``MESSAGE.SIGNAL``.
    definition
        How it was decoded.
    rows
        intp (k,): rows of the trace.
    time_s
        float64 (k,): time since the trace's first frame [s].
    line
        int64 (k,): line numbers of the log.
    raw
        int64, uint64 or float64 (k,): raw value, exact.
    value
        float64 (k,): scaled value in the definition's unit.
    """

    path: str
    definition: SignalDefinition
    rows: Rows
    time_s: Floats
    line: Ints
    raw: npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64]
    value: Floats

    def __len__(self) -> int:
        return len(self.rows)


def decode(trace: Trace, message: Message) -> dict[str, Signal]:
    """Decode every signal of one message from all its frames."""
    raise NotImplementedError


def decode_signals(trace: Trace, wanted: list[tuple[Message, SignalDefinition]]) -> dict[str, Signal]:
    """Decode some signals of several messages, each message's frames looked up once; keyed by path."""
    raise NotImplementedError
