"""Logs as they come out of terminals, journals and mails; tables of unknown programs."""

from __future__ import annotations

import io

import pytest

from canlens.errors import UnknownFormatError
from canlens.readers import read_trace

FRAME = "(1436509052.249713) can0 044#2A366C2BBA"
SHOWN = "(1436509052.249713)  can0  044   [5]  2A 36 6C 2B BA"


@pytest.mark.parametrize(
    "line",
    [
        f"\x1b[31m{FRAME}\x1b[0m",
        f"\x1b[31m {SHOWN}\x1b[0m",
        " (1436509052.249713)  \x1b[31mcan0\x1b[0m  \x1b[32m044\x1b[0m   [5]  2A 36 6C 2B BA",
        "> \x1b[1mcan0\x1b[0m  044   [5]  2A 36 6C 2B BA",
        f"> {FRAME}",
        f">> {SHOWN}",
        f'"{FRAME}"',
        FRAME.replace(" ", "\u00a0"),
        f"\u200b{FRAME}",
        f"Jul 10 08:17:32 pi candump[812]: {FRAME}",
        f"17: {FRAME}",
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_what_stands_around_every_line_is_taken_off(line: str, end: str) -> None:
    content = (line + end) * 3 + "> that is all" + end
    trace = read_trace(io.BytesIO(content.encode()))
    assert trace.line.tolist() == [1, 2, 3]
    assert {trace.payload[row].hex() for row in range(3)} == {"2a366c2bba"}
    assert trace.channels == ("can0",)
    assert [(problem.line, problem.count) for problem in trace.problems] == [(4, 1)]
    assert [remark.line for remark in trace.remarks] == [0]


def test_prompts_of_a_terminal_are_problems_and_cost_no_frame() -> None:
    trace = read_trace(io.BytesIO(f"user@pi:~$ candump -L can0\n{FRAME}\n{FRAME}\n^C\nuser@pi:~$ \n".encode()))
    assert trace.line.tolist() == [2, 3]
    assert [problem.line for problem in trace.problems] == [1, 4, 5]


@pytest.mark.parametrize(
    "table",
    [
        "Time;ID;DLC;D0;D1\n0,001;123;2;11;22\n",
        "Time Stamp,ID,Extended,Dir,Bus,LEN,D1,D2\n166064000,0000021A,false,Rx,0,2,FE,36\n",
        "time\tid\tdlc\tdata\n0.1\t123\t1\t11\n",
    ],
)
def test_a_table_of_an_unknown_program_is_told_which_columns_are_expected(table: str) -> None:
    with pytest.raises(UnknownFormatError, match=r"columns [Tt]ime.*timestamp, arbitration_id, extended"):
        read_trace(io.BytesIO(table.encode()))
