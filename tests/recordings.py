"""Recordings made by hand, for tests that need frames but no log file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from canlens.trace import COLUMNS, Kind, Payload, Trace

NS_PER_FRAME = 1_000_000
FIRST_LINE = 3


@dataclass(frozen=True)
class Frame:
    """One frame of a recording made by hand; ``channel`` is the name of an interface."""

    payload: bytes = b""
    identifier: int = 0x123
    is_extended: bool = False
    kind: Kind = Kind.DATA
    channel: str = "can0"


def recording(frames: list[Frame]) -> Trace:
    """Make a trace of frames one millisecond apart, from line 3 on."""
    columns: dict[str, Any] = {name: np.zeros(len(frames), dtype) for name, dtype in COLUMNS.items()}
    channels = list(dict.fromkeys(frame.channel for frame in frames))
    columns["time_ns"][:] = 10**18 + NS_PER_FRAME * np.arange(len(frames))
    columns["line"][:] = np.arange(len(frames)) + FIRST_LINE
    for row, frame in enumerate(frames):
        columns["identifier"][row] = frame.identifier
        columns["is_extended"][row] = frame.is_extended
        columns["kind"][row] = frame.kind
        columns["channel"][row] = channels.index(frame.channel)
    return Trace(**columns, payload=Payload.of([frame.payload for frame in frames]), channels=tuple(channels))
