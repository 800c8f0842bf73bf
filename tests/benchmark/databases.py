"""How long a DBC of two thousand signals takes to be ready, the first and the second time, each in a fresh process.

Processor seconds, imports included.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

MESSAGES = 250
SIGNALS = 8
REPEATS = 3
LOAD = """
import sys, time
start = time.process_time()
from canlens import read_database
database = read_database(sys.argv[1])
print(time.process_time() - start, sum(len(m.signals) for m in database.messages), "cantools" in sys.modules)
"""
PARSER = """
import sys, time
start = time.process_time()
import cantools
database = cantools.database.load_file(sys.argv[1])
print(time.process_time() - start, sum(len(m.signals) for m in database.messages), True)
"""


def dbc() -> str:
    """Return a database with a comment and a value table for each of its signals."""
    blocks = ['VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Pod Box\n']
    more: list[str] = []
    for n in range(MESSAGES):
        blocks.append(f"BO_ {256 + n} Message{n}: 8 Pod")
        for k in range(SIGNALS):
            blocks.append(f' SG_ Signal{n}x{k} : {8 * k}|8@1+ (0.5,-10) [-10|117.5] "V" Box')
            more.append(f'CM_ SG_ {256 + n} Signal{n}x{k} "What signal {k} of message {n} says";')
            more.append(f'VAL_ {256 + n} Signal{n}x{k} 0 "off" 1 "on" 254 "error" 255 "not available" ;')
        blocks.append("")
    return "\n".join((*blocks, *more, ""))


def timed(program: str, file: Path, cache: Path) -> tuple[float, int, bool]:
    """Return seconds, signals, and whether the parser was imported."""
    environment = {**os.environ, "XDG_CACHE_HOME": str(cache), "LOCALAPPDATA": str(cache), "CANLENS_NO_CACHE": "0"}
    command = [sys.executable, "-c", program, str(file)]
    said = subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout.split()
    return float(said[0]), int(said[1]), said[2] == "True"


def main() -> None:
    """Print the medians."""
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "bus.dbc"
        file.write_text(dbc(), encoding="utf-8")
        first = [timed(LOAD, file, Path(place) / f"cache{n}")[0] for n in range(REPEATS)]
        again = [timed(LOAD, file, Path(place) / "cache0") for _ in range(REPEATS)]
        alone = [timed(PARSER, file, Path(place))[0] for _ in range(REPEATS)]
    print(f"{again[0][1]} signals: first {statistics.median(first):.3f} s,", end=" ")
    print(f"again {statistics.median(one[0] for one in again):.3f} s (parser imported: {again[0][2]}),", end=" ")
    print(f"cantools alone {statistics.median(alone):.3f} s")


if __name__ == "__main__":
    main()
