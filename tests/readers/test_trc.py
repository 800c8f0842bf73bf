"""TRC: what python-can writes, and the rows in which such a file speaks of the bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

import can

from canlens.readers import read_trace
from tests.readers.formats import Format

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = Format(
    "trc",
    ".trc",
    first_line=19,
    options={"file_format_version": can.io.TRCFileVersion.V2_1},
    holds_fd=False,  # as python-can writes it
    holds_remote=False,
)


def test_rows_in_which_a_trc_file_speaks_of_the_bus_are_kept(python_can_samples: Path) -> None:
    # python-can 4.6.1 drops them in silence
    trace = read_trace(python_can_samples / "test_CanMessage_V1_1.trc")
    assert any("BUSHEAVY" in remark.text for remark in trace.remarks)
