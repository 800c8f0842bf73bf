"""Benchmark: the whole of ``canlens check`` against a loop that only reads and decodes.

    python tests/benchmark/whole_check.py [FRAMES]

The healthy recording of the sample job is repeated until it has FRAMES frames (two million). Both sides work on the
same file in the same run: the command as a process of its own, start-up and report included, and the two calls
behind it; and python-can's reader with cantools' ``decode_message`` for every frame whose message the DBC holds.
Prints seconds, the ratio, and the command's peak memory against the size of the text.
"""

from __future__ import annotations

import gzip
import os
import re
import sys
import tempfile
import time
from pathlib import Path

import can
import cantools

import canlens

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "traces" / "quernholt.toml"
RECORDING = ROOT / "traces" / "quernholt-healthy.log.gz"
DATABASE = ROOT / "dbc_examples" / "quernholt.dbc"
STAMP = re.compile(rb"^\((\d+\.\d+)\)(.*)$", re.MULTILINE)


def long_recording(frames: int, folder: Path) -> tuple[Path, int]:
    """Repeat the sample recording with shifted stamps; return the file and its number of frames."""
    rows = [(float(stamp), rest) for stamp, rest in STAMP.findall(gzip.decompress(RECORDING.read_bytes()))]
    span_s = rows[-1][0] - rows[0][0] + 1
    file = folder / "long.log"
    written = 0
    with file.open("wb") as out:
        while written < frames:
            shift_s = span_s * (written // len(rows))
            out.write(b"".join(b"(%.6f)%s\n" % (stamp + shift_s, rest) for stamp, rest in rows))
            written += len(rows)
    return file, written


def read_and_decode(file: Path) -> int:
    """Read with python-can and decode with cantools, one frame after the other; return the number of decoded frames."""
    database = cantools.database.can.Database()
    database.add_dbc_file(str(DATABASE))
    known = {(message.frame_id, message.is_extended_frame) for message in database.messages}
    decoded = 0
    for frame in can.CanutilsLogReader(str(file)):
        if (frame.arbitration_id, frame.is_extended_id) in known:
            database.decode_message(frame.arbitration_id, bytes(frame.data))
            decoded += 1
    return decoded


def run_check(file: Path) -> tuple[float, float]:
    """Run the command; return seconds and its peak memory in bytes."""
    before = time.perf_counter()
    pid = os.posix_spawn(
        sys.executable,
        [sys.executable, "-m", "canlens", "check", str(PLAN), str(file)],
        {**os.environ, "PYTHONPATH": str(ROOT)},
        file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)],
    )
    _, _, usage = os.wait4(pid, 0)
    return time.perf_counter() - before, usage.ru_maxrss * 1024


def read_and_check(file: Path) -> float:
    """Read the recording and check it, all modules loaded, as the other side is; return seconds."""
    plan = canlens.read_plan(str(PLAN))
    before = time.perf_counter()
    canlens.check(plan, canlens.read_trace(str(file)))
    return time.perf_counter() - before


def main() -> None:
    """Measure and print."""
    frames = int(float(sys.argv[1])) if len(sys.argv) > 1 else 2_000_000
    with tempfile.TemporaryDirectory() as folder:
        file, written = long_recording(frames, Path(folder))
        Path(folder, "half").mkdir()
        half, half_written = long_recording(frames // 2, Path(folder, "half"))
        size = file.stat().st_size
        runs = sorted(run_check(file) for _ in range(3))
        halves = sorted(run_check(half) for _ in range(3))
        own_s, memory = runs[1]
        inside_s = sorted(read_and_check(file) for _ in range(4))[1]
        before = time.perf_counter()
        decoded = read_and_decode(file)
        loop_s = time.perf_counter() - before
    print(f"{written} frames, {size / 1e6:.0f} MB of text, {decoded} frames with a message in the DBC")
    print(f"canlens check           {own_s:7.2f} s  (the whole command, median of 3)")
    print(f"read_trace and check    {inside_s:7.2f} s  (without start-up, as the loop below)")
    print(f"read-and-decode loop    {loop_s:7.2f} s")
    print(f"ratio                   {loop_s / inside_s:7.1f} x, of the whole command {loop_s / own_s:.1f} x")
    print(f"peak memory             {memory / 1e6:7.0f} MB = {memory / size:.1f} x the text")
    print(f"twice the frames        {own_s / halves[1][0] * half_written * 2 / written:7.2f} x the time")


if __name__ == "__main__":
    main()
