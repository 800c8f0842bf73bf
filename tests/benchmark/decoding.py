"""Print how much faster whole columns are decoded than frame by frame with cantools.

Run as ``python tests/benchmark/decoding.py [frames]``. Both sides decode all signals of the same frames in the same
run; the ratio is that of the medians.
"""

from __future__ import annotations

import io
import sys
import time
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

import cantools.database
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from canlens.database import Database, Message, SignalDefinition, read_database
from canlens.signals import Floats, decode_signals, find_rows
from canlens.trace import COLUMNS, Payload, Trace

if TYPE_CHECKING:
    from collections.abc import Callable

MESSAGES = 40
ROUNDS = 5
FRAMES = 300_000
MANY_FRAMES = 2_000_000
SIGNALS = """ SG_ Counter : 0|4@1+ (1,0) [0|15] "" Vector__XXX
 SG_ Switch : 4|1@1+ (1,0) [0|1] "" Vector__XXX
 SG_ State : 5|3@1+ (1,0) [0|7] "" Vector__XXX
 SG_ Volts : 11|12@0+ (0.01,0) [0|40] "V" Vector__XXX
 SG_ Temperature : 24|8@1- (0.5,-40) [-104|23.5] "degC" Vector__XXX
 SG_ Amps : 39|16@0- (0.005,0) [-160|160] "A" Vector__XXX
 SG_ Level : 48|8@1+ (0.5,0) [0|127] "%" Vector__XXX
 SG_ Check : 56|8@1+ (1,0) [0|255] "" Vector__XXX
"""


def dbc() -> str:
    """Write messages of eight signals each, half of them with 29-bit identifiers."""
    messages = [
        f"BO_ {(0x100 + 8 * index) | (0x8CF00000 if index % 2 else 0)} Unit{index}: 8 Node\n{SIGNALS}\n"
        for index in range(MESSAGES)
    ]
    return 'VERSION ""\n\nBS_:\n\nBU_: Node\n\n' + "".join(messages)


def recording(database: Database, frames: int) -> Trace:
    """Make a recording in which the messages come in random order with random payloads."""
    random = np.random.default_rng(7)
    which = random.integers(0, len(database.messages), frames)
    columns: dict[str, Any] = {name: np.zeros(frames, dtype) for name, dtype in COLUMNS.items()}
    columns["time_ns"] = np.arange(frames, dtype=np.int64) * 250_000
    columns["line"] = np.arange(1, frames + 1, dtype=np.int64)
    columns["identifier"] = np.array([message.identifier for message in database.messages], np.uint32)[which]
    columns["is_extended"] = np.array([message.is_extended for message in database.messages])[which]
    columns["dlc"][:] = 8
    payload = Payload(
        random.integers(0, 256, (frames, 8), np.uint8),
        np.full(frames, 8, np.uint8),
        np.zeros(0, np.intp),
        np.zeros((0, 64), np.uint8),
    )
    return Trace(**columns, payload=payload)


def values(trace: Trace, wanted: list[tuple[Message, SignalDefinition]]) -> list[Floats]:
    """Decode what cantools gives: the scaled value of every signal in every frame."""
    return [signal.value for signal in decode_signals(trace, wanted).values()]


def fresh(trace: Trace) -> Trace:
    """Return the recording as one that was just read: nothing is known of it that was worked out before."""
    return replace(trace)


def seconds(work: Callable[[], object]) -> float:
    """Return how long one run takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Measure and print."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else FRAMES
    text = dbc()
    database = read_database(io.StringIO(text))
    parsed = cantools.database.load_string(text, "dbc")
    trace = recording(database, frames)
    identifiers, is_extended = trace.identifier.tolist(), trace.is_extended.tolist()
    payloads = list(trace.payload)
    wanted = [(message, signal) for message in database.messages for signal in message.signals]

    def one_by_one() -> None:
        for identifier, extended, payload in zip(identifiers, is_extended, payloads, strict=True):
            parsed.decode_message(  # type: ignore[union-attr]
                identifier, payload, decode_choices=False, allow_truncated=True, force_extended_id=extended
            )

    slow, fast = [], []
    for _ in range(ROUNDS):
        slow.append(seconds(one_by_one))
        fast.append(seconds(lambda: values(fresh(trace), wanted)))
    ratio = median(slow) / median(fast)
    print(f"all {len(wanted)} signals of {frames} frames")
    print(f"  frame by frame  {median(slow) / frames * 1e6:8.3f} µs a frame")
    print(f"  whole columns   {median(fast) / frames * 1e6:8.3f} µs a frame   {ratio:.0f} x")

    many = recording(database, MANY_FRAMES)
    keys = [(message.identifier, message.is_extended) for message in database.messages]
    some = [(message, message.signals[index % 8]) for index, message in enumerate(database.messages[:15])]
    lookup = median([seconds(lambda: find_rows(fresh(many), keys)) for _ in range(ROUNDS)])
    decoding = median([seconds(lambda: values(fresh(many), some)) for _ in range(ROUNDS)])
    every = median([seconds(lambda: values(fresh(many), wanted)) for _ in range(ROUNDS)])
    print(f"{MANY_FRAMES} frames")
    print(f"  rows of {len(keys)} identifiers   {lookup:.3f} s")
    print(f"  15 signals             {decoding:.3f} s")
    print(f"  all {len(wanted)} signals        {every:.3f} s")


if __name__ == "__main__":
    main()
