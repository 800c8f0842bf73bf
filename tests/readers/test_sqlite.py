"""SQLite recordings whose cells hold what no frame has: each costs its own row only."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import can
import pytest

from canlens.readers import read_trace
from tests.readers.formats import Format

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = Format("sqlite", ".db", is_text=False, holds_channel=False, holds_direction=False, holds_fd=False)

CELLS = [
    ("dlc", -36),
    ("dlc", "eight"),
    ("dlc", None),
    ("dlc", 8.5),
    ("arbitration_id", "x"),
    ("arbitration_id", -1),
    ("arbitration_id", None),
    ("ts", "never"),
    ("ts", 1e300),
    ("ts", None),
    ("data", "text"),
    ("data", 7),
]


@pytest.mark.parametrize("is_error", [False, True])
@pytest.mark.parametrize(("column", "cell"), CELLS)
def test_a_cell_that_no_frame_has_is_a_problem_or_costs_no_row(
    tmp_path: Path, column: str, cell: object, *, is_error: bool
) -> None:
    path = tmp_path / "a.db"
    with can.Logger(path) as writer:
        for number in range(3):
            writer.on_message_received(
                can.Message(timestamp=1.5 + number, arbitration_id=0x123, data=b"\x11\x22", is_error_frame=is_error)
            )
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"UPDATE messages SET {column} = ? WHERE ts = 2.5", (cell,))  # noqa: S608 – names of our own
    trace = read_trace(path)
    assert len(trace) + trace.problem_count == 3
