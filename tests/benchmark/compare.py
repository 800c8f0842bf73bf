"""Benchmark: the whole of ``canlens compare`` on two long recordings.

    python tests/benchmark/compare.py [FRAMES]

A drawn bus is repeated until each recording has FRAMES frames (one million). Prints the seconds of the command as a
process of its own, start-up, reading and report included, beside those that python-can's reader takes to read the same
two files; and the size of a baseline for an hour of that bus.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import can
import numpy as np

from canlens.baseline_file import baseline_bytes
from canlens.comparison import make_baseline
from canlens.rehearsal.written_rehearsal import write_candump
from canlens.trace import COLUMNS
from tests.drawn import draw_bus

if TYPE_CHECKING:
    from canlens.trace import Trace

HOUR_S = 3600.0


def repeated(trace: Trace, frames: int) -> Trace:
    """Repeat a recording, its stamps shifted, until it has so many frames."""
    times = -(-frames // len(trace))
    rows = np.tile(np.arange(len(trace)), times)[:frames]
    span_ns = int(np.ptp(trace.time_ns)) + 1_000_000
    columns = {name: getattr(trace, name)[rows] for name in COLUMNS}
    columns["time_ns"] = columns["time_ns"] + span_ns * (np.arange(frames) // len(trace))
    return replace(trace, **columns, payload=trace.payload[rows])


def read_all(files: list[Path]) -> int:
    """Read files with python-can's reader; return the number of frames."""
    return sum(1 for file in files for _ in can.CanutilsLogReader(str(file)))


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    drawn = draw_bus(3, 120.0)
    with tempfile.TemporaryDirectory() as folder:
        logs = [Path(folder, name) for name in ("before.log", "after.log")]
        for number, log in enumerate(logs):
            part = drawn.trace.between(60.0 * number, 60.0 * (number + 1))
            write_candump(repeated(part, wanted), log)
        start = time.perf_counter()
        code = subprocess.run(
            ["canlens", "compare", *map(str, logs)], check=False, stdout=subprocess.DEVNULL
        ).returncode
        own_s = time.perf_counter() - start
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        busy_s = used.ru_utime + used.ru_stime
        start = time.perf_counter()
        read_all(logs)
        other_s = time.perf_counter() - start
    print(f"compare, 2 x {wanted} frames: {own_s:.2f} s, {busy_s:.2f} s of processor time (exit code {code})")
    print(f"only reading them with python-can: {other_s:.2f} s; ratio {other_s / own_s:.1f}")
    hour = repeated(drawn.trace, int(len(drawn.trace) * HOUR_S / drawn.trace.duration_s))
    kept = baseline_bytes(make_baseline(hour, drawn.plan.database))
    print(f"baseline of an hour, {len(hour)} frames: {len(kept) / 1000:.0f} kB")
