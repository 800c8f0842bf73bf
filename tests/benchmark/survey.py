"""Benchmark: measuring every identifier of a recording, and the whole of a survey.

    python tests/benchmark/survey.py [FRAMES]

Sixty messages on beats between 10 ms and 1 s, half of them with a counter, until there are FRAMES frames (two million).
The baseline does by a loop over the frames what is least to be done for the table of identifiers: a dictionary of last
stamps and a list of intervals each, then their median, least, greatest and standard deviation; neither beats nor gaps,
counters or second senders. Prints seconds, medians of several runs, and the ratio.
"""

from __future__ import annotations

import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

import canlens
from canlens.database import Database
from canlens.measures.traffic.intervals import intervals
from canlens.measures.traffic.messages import message_side
from canlens.measures.traffic.silences import awake
from canlens.trace import COLUMNS, Payload, Trace

if TYPE_CHECKING:
    from collections.abc import Callable

REPEATS = 5
CYCLES_S = (0.01, 0.02, 0.05, 0.1, 0.2, 1.0)
MESSAGES = 60


def recording(frames: int) -> Trace:
    """Return about so many frames of messages on beats, in the order of time."""
    draw = np.random.default_rng(1)
    identifiers = draw.choice(1 << 11, MESSAGES, replace=False)
    cycles_s = draw.choice(CYCLES_S, MESSAGES)
    duration_s = frames / (1 / cycles_s).sum()
    stamps, senders, numbers = [], [], []
    for identifier, cycle_s in zip(identifiers.tolist(), cycles_s.tolist(), strict=True):
        number = np.arange(int(duration_s / cycle_s))
        beat_s = (number + draw.random()) * cycle_s + draw.normal(0, 1e-4, len(number))
        stamps.append((beat_s * 1e9).astype(np.int64))
        senders.append(np.full(len(number), identifier))
        numbers.append(number % 16 if len(stamps) % 2 else np.zeros(len(number), np.int64))
    order = np.argsort(np.concatenate(stamps), kind="stable")
    columns = {name: np.zeros(len(order), dtype) for name, dtype in COLUMNS.items()}
    columns["time_ns"] = np.concatenate(stamps)[order]
    columns["identifier"] = np.concatenate(senders)[order].astype(np.uint32)
    columns["dlc"] = np.full(len(order), 8, np.uint8)
    columns["line"] = np.arange(1, len(order) + 1)
    first8 = draw.integers(0, 256, (len(order), 8), np.uint8)
    first8[:, 7] = np.concatenate(numbers)[order]
    length = np.full(len(order), 8, np.uint8)
    payload = Payload(first8, length, np.zeros(0, np.intp), np.zeros((0, 64), np.uint8))
    return Trace(**columns, payload=payload, channels=("can0",))  # type: ignore[arg-type]


def by_loop(trace: Trace) -> int:
    """Measure the intervals frame by frame; return the number of identifiers."""
    last: dict[int, int] = {}
    found: dict[int, list[int]] = {}
    for stamp, identifier in zip(trace.time_ns.tolist(), trace.identifier.tolist(), strict=True):
        if identifier in last:
            found.setdefault(identifier, []).append(stamp - last[identifier])
        last[identifier] = stamp
    told = [(statistics.median(each), min(each), max(each), statistics.fmean(each)) for each in found.values()]
    spreads = [
        (sum((length - mean) ** 2 for length in each) / len(each)) ** 0.5
        for each, (*_, mean) in zip(found.values(), told, strict=True)
    ]
    return len(spreads)


def fresh(trace: Trace) -> Trace:
    """Return the recording as one that was just read: nothing is known of it that was worked out before."""
    return replace(trace)


def median_s(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Return the median time of several runs [s]."""
    times = []
    for _ in range(repeats):
        before = time.perf_counter()
        work()
        times.append(time.perf_counter() - before)
    return statistics.median(times)


def main() -> None:
    """Measure and print."""
    trace = recording(int(float(sys.argv[1])) if len(sys.argv) > 1 else 2_000_000)
    loop_s = median_s(lambda: by_loop(trace), repeats=1)
    table_s = median_s(lambda: intervals(trace, fresh(trace).streams, awake(trace).number))
    every_s = median_s(lambda: message_side(fresh(trace), Database()))
    survey_s = median_s(lambda: canlens.survey(fresh(trace), bit_rate=500_000), repeats=3)
    print(f"{len(trace)} frames of {MESSAGES} identifiers")
    print(f"loop over the frames, intervals only    {loop_s:7.2f} s")
    print(f"intervals, beats and fitted cycles      {table_s:7.3f} s   {loop_s / table_s:6.1f} x")
    print(f"and gaps, counters, senders, sleep      {every_s:7.3f} s   {loop_s / every_s:6.1f} x")
    print(f"whole survey, bit rate given            {survey_s:7.3f} s   {loop_s / survey_s:6.1f} x")


if __name__ == "__main__":
    main()
