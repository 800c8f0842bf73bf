"""Print how many frames a second get their exact length.

``python tests/benchmark/exact_bits.py [FRAMES]``
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from canlens.trace import Bytes, Kind, Payload, Trace
from canlens.wire import FD_LENGTH, data_rate_bits

REPEATS = 5


def recording(dlc: Bytes, *, is_fd: bool = False, extended_share: float = 0.0) -> Trace:
    """Return frames with those DLCs, random identifiers and random payloads."""
    draw = np.random.default_rng(1)
    number = len(dlc)
    is_extended = draw.random(number) < extended_share
    length = FD_LENGTH[dlc]
    first8 = draw.integers(0, 256, (number, 8), np.uint8)
    first8[np.arange(8) >= length[:, np.newaxis]] = 0
    long_rows = np.flatnonzero(length > first8.shape[1])
    long = draw.integers(0, 256, (len(long_rows), 64), np.uint8)
    long[:, :8] = first8[long_rows]
    return Trace(
        time_ns=np.arange(number, dtype=np.int64) * 250_000,
        segment=np.zeros(number, np.int32),
        channel=np.zeros(number, np.int16),
        identifier=draw.integers(0, np.where(is_extended, 1 << 29, 1 << 11)).astype(np.uint32),
        is_extended=is_extended,
        kind=np.full(number, Kind.DATA, np.uint8),
        is_fd=np.full(number, is_fd),
        bit_rate_switch=np.full(number, is_fd),
        error_state_indicator=np.zeros(number, np.bool_),
        is_rx=np.ones(number, np.bool_),
        dlc=dlc,
        payload=Payload(first8, length, long_rows, long),
        line=np.arange(1, number + 1),
        channels=("can0",),
    )


def measure(name: str, trace: Trace) -> None:
    """Print the median rate of several runs."""
    seconds = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        trace.exact_bits()
        if trace.is_fd.any():
            data_rate_bits(trace)
        seconds.append(time.perf_counter() - start)
    median = float(np.median(seconds))
    sys.stdout.write(f"{name:<44} {len(trace) / median / 1e6:6.1f} million frames/s\n")


def main() -> None:
    """Measure the kinds of recording one after the other, on one thread."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000
    draw = np.random.default_rng(2)
    eight = np.full(number, 8, np.uint8)
    mixed = draw.integers(0, 9, number).astype(np.uint8)
    measure("base, eight bytes", recording(eight))
    measure("extended, eight bytes", recording(eight, extended_share=1))
    measure("base and extended, 0 to 8 bytes, mixed", recording(mixed, extended_share=0.5))
    few = draw.integers(0, 16, number // 10).astype(np.uint8)
    measure("CAN FD, 0 to 64 bytes, mixed, with data rate", recording(few, is_fd=True, extended_share=0.5))


if __name__ == "__main__":
    main()
