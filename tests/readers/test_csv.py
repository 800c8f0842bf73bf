"""CSV in python-can's form: as it was written, as a spreadsheet saved it, and damaged."""

from __future__ import annotations

import io

import pytest

from canlens.readers import read_trace
from tests.readers.formats import Format

FORMAT = Format("csv", ".csv", first_line=2, holds_channel=False, holds_direction=False, holds_fd=False)

HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"
ROWS = "1436509052.249713,0x7ff,0,0,0,8,fWadJe78sbI=\n1436509052.349713,0x18fef100,1,0,0,0,\n"


def semicolons(text: str) -> str:
    """Save a table as a spreadsheet does where the decimal sign is a comma."""
    return text.replace(",", ";").replace(".", ",")


@pytest.mark.parametrize(
    "text",
    [
        f"{HEADER}\n{ROWS}",
        f"{HEADER.upper()}\n{ROWS}",
        semicolons(f"{HEADER}\n{ROWS}"),
        "sep=;\n" + semicolons(f"{HEADER}\n{ROWS}"),
        f"{HEADER}\n{ROWS}".replace(",", "\t"),
        f"{HEADER}\n{ROWS}".replace(",", ", "),
        f"{HEADER}\n{ROWS}".replace("\n", ",,,\r\n"),
        "".join('"' + line.replace(",", '","') + '"\n' for line in f"{HEADER}\n{ROWS}".splitlines()),
        f"{HEADER}\n\n{ROWS}\n\n",
    ],
)
def test_a_table_is_read_as_a_spreadsheet_saves_it(text: str) -> None:
    trace = read_trace(io.BytesIO(text.encode()))
    assert trace.problems == ()
    assert trace.time_ns.tolist() == [1_436_509_052_249_713_000, 1_436_509_052_349_713_000]
    assert trace.identifier.tolist() == [0x7FF, 0x18FEF100]
    assert trace.payload[0].hex() == "7d669d25eefcb1b2"


@pytest.mark.parametrize(
    "row",
    [
        "1436509052.51,0x123,0\u00a8,0,0,8,fWadJe78sbI=",
        "1436509052.6,0x7ff,0,0,,8,fWadJe78sbI=",
        "1436509052.6,0x7ff,0,0,0,8,fWa\\dJe78sbI=",
        "1.43651E+09,0x7ff,0,0,0,8,fWadJe78sbI=",
        "1436509052.6,0x7ff,0,0,0,8,fWadJe78",
    ],
)
def test_a_row_with_damage_that_python_can_passes_over_is_a_problem(row: str) -> None:
    trace = read_trace(io.BytesIO(f"{HEADER}\n{ROWS}{row}\n{ROWS}".encode()))
    assert trace.line.tolist() == [2, 3, 5, 6]
    assert [(problem.line, problem.count) for problem in trace.problems] == [(4, 1)]


def test_two_tables_put_together_are_read_as_one_recording() -> None:
    other = semicolons(f"{HEADER}\n{ROWS}")
    trace = read_trace(io.BytesIO(f"{HEADER}\n{ROWS}{other}no row\n{ROWS}".encode()))
    assert trace.line.tolist() == [2, 3, 5, 6]
    assert [(problem.line, problem.count) for problem in trace.problems] == [(7, 1), (8, 1), (9, 1)]
