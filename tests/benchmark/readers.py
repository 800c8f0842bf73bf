"""Compare the readers with those of python-can on one file, in one run: ``python tests/benchmark/readers.py``.

Printed are medians, their ratios and the peak of memory against the size of the text. The logs are drawn at random:
two channels, base and extended identifiers of some hundred messages, zero to eight data bytes, random payloads.
"""

from __future__ import annotations

import argparse
import gc
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import can
import numpy as np

from canlens.readers import read_trace

if TYPE_CHECKING:
    from collections.abc import Callable

MESSAGES = 300
STEP_S = 0.00032
START_S = 1_436_509_052.249713
ASC_HEADER = (
    "date Sam Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\ninternal events logged\n// version 9.0.0\n"
)


def draw(frames: int, seed: int) -> list[tuple[float, int, str, bool, int, bytes]]:
    """Draw frames: time, channel, identifier, whether it is extended, bits on the wire, payload."""
    rng = np.random.default_rng(seed)
    is_extended = rng.random(MESSAGES) < 0.4
    identifiers = np.where(is_extended, rng.integers(0, 1 << 29, MESSAGES), rng.integers(0, 1 << 11, MESSAGES))
    lengths = rng.choice(9, MESSAGES, p=[0.02, 0.04, 0.06, 0.04, 0.06, 0.04, 0.06, 0.04, 0.64])
    which = rng.integers(0, MESSAGES, frames)
    channel = rng.integers(0, 2, frames)
    times = np.cumsum(rng.exponential(STEP_S, frames))
    data = rng.bytes(8 * frames)
    return [
        (
            times[row],
            int(channel[row]),
            f"{identifiers[index]:08X}" if is_extended[index] else f"{identifiers[index]:03X}",
            bool(is_extended[index]),
            47 + 8 * int(lengths[index]) + 20 * bool(is_extended[index]) + row % 19,
            data[8 * row : 8 * row + int(lengths[index])],
        )
        for row, index in enumerate(which.tolist())
    ]


def write_candump(path: Path, frames: int) -> None:
    """Write a log of the Linux tools."""
    with path.open("w") as file:
        for time_s, channel, identifier, _, _, data in draw(frames, 1):
            file.write(f"({START_S + time_s:.6f}) can{channel} {identifier}#{data.hex().upper()}\n")


def write_asc(path: Path, frames: int, *, tails: bool) -> None:
    """Write an ASC log, with or without the recorder's own figures behind each frame."""
    with path.open("w") as file:
        file.write(ASC_HEADER)
        for time_s, channel, identifier, is_extended, bits, data in draw(frames, 2):
            number = int(identifier, 16)
            mark = "x" if is_extended else ""
            tail = f"  Length = {bits * 2000 - 90} BitCount = {bits} ID = {number}{mark}" if tails else ""
            payload = "".join(f" {byte:02X}" for byte in data)
            file.write(f"{time_s:11.6f} {channel + 1}  {f'{number:X}{mark}':<15} Rx   d {len(data)}{payload}{tail}\n")


def seconds(work: Callable[[], int], times: int) -> float:
    """Return the median time of some runs [s]."""
    taken = []
    for _ in range(times):
        gc.collect()
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def compare(name: str, path: Path, theirs: Callable[[Path], int], times: int) -> None:
    """Print one row."""
    frames = len(read_trace(path))
    ours: list[float] = []
    others: list[float] = []
    for _ in range(times):  # by turns, so that both meet the same machine
        ours.append(seconds(lambda: len(read_trace(path)), 3))
        others.append(seconds(lambda: theirs(path), 1))
    ours_s, theirs_s = statistics.median(ours), statistics.median(others)
    ratio = theirs_s / ours_s
    print(
        f"{name:<18}{frames:>10,} frames {1e9 * ours_s / frames:8.0f} ns a frame, python-can "
        f"{1e9 * theirs_s / frames:6.0f} ns: {ratio:6.1f} x   memory {memory(path):4.2f} x text"
    )


def memory(path: Path) -> float:
    """Measure the peak of memory that reading adds, in a process of its own, against the size of the text."""
    code = (
        "import io, re, sys; from canlens.readers import read_trace;"
        "peak = lambda: int(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]);"
        "read_trace(io.BytesIO(b'(1.5) can0 123#00\\n'));"
        "base = peak(); trace = read_trace(sys.argv[1]); print(peak() - base)"
    )
    out = subprocess.run([sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True)
    return int(out.stdout) * 1024 / path.stat().st_size


def read_candump(path: Path) -> int:
    """Read with python-can."""
    return sum(1 for _ in can.CanutilsLogReader(path))


def read_asc(path: Path) -> int:
    """Read with python-can."""
    return sum(1 for _ in can.ASCReader(path))


def main() -> None:
    """Write the logs and compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=2_000_000)
    parser.add_argument("--times", type=int, default=3)
    options = parser.parse_args()
    print(f"{os.cpu_count()} processors; medians of {options.times} turns")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log"
        write_candump(path, options.frames)
        compare("candump", path, read_candump, options.times)
        write_candump(path, 2 * options.frames)
        doubled = seconds(lambda: len(read_trace(path)), 3)
        write_candump(path, options.frames)
        print(f"{'twice the frames':<18}{doubled / seconds(lambda: len(read_trace(path)), 3):6.2f} x the time")
        write_asc(path, options.frames, tails=False)
        compare("ASC", path, read_asc, options.times)
        write_asc(path, options.frames, tails=True)
        compare("ASC with figures", path, read_asc, options.times)


if __name__ == "__main__":
    main()
