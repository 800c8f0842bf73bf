"""Libraries that complain of a damaged recording do not write into the terminal beside our own sentence."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

TRC = """;$FILEVERSION=1.1
;$STARTTIME=42200.6
;---+--   ----+----  --+--  ----+---  +  -+ -- -- -- -- -- -- --
     1)         1.0  Rx         0100  2  00 01
     2)         2.0  Rx         0100  8
     3)         3.0  Rx         0100  2  00 01
"""


def test_a_row_that_python_can_cannot_parse_is_told_by_us_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.trc"
    path.write_text(TRC)
    program = "import sys, canlens; trace = canlens.read_trace(sys.argv[1]); print(len(trace), trace.problem_count)"
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["2", "1"]
    assert done.stderr == ""
