"""BLF: what python-can writes, and half of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.readers import read_trace
from tests.readers.formats import Format

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = Format("blf", ".blf", is_text=False)


def test_half_a_blf_file_tells_that_it_is_half(python_can_samples: Path, tmp_path: Path) -> None:
    # python-can 4.6.1 gives what there is and says nothing
    content = (python_can_samples / "issue_1905.blf").read_bytes()
    path = tmp_path / "half.blf"
    path.write_bytes(content[: len(content) // 2])
    trace = read_trace(path)
    assert len(trace) < 22
    assert trace.problem_count >= 1
