"""Stray stamps: a recording whose stamps are damaged is surveyed and checked, and said to be poor."""

from __future__ import annotations

import io
import tracemalloc
from typing import TYPE_CHECKING

import pytest

from canlens import check, read_plan, survey
from canlens.readers import read_trace

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.trace import Trace

START_S = 1_436_509_052.0
COUNT = 2000
DAMAGE: dict[str, Callable[[int, float], float]] = {
    "one 2e9 s ahead": lambda row, stamp: stamp + 2e9 if row == COUNT // 2 else stamp,
    "the last 2e9 s ahead": lambda row, stamp: stamp + 2e9 if row == COUNT - 1 else stamp,
    "the first zero": lambda row, stamp: 0.0 if row == 0 else stamp,
    "every tenth zero": lambda row, stamp: 0.0 if row % 10 == 3 else stamp,
    "every third of another epoch": lambda row, stamp: stamp - START_S if row % 3 == 1 else stamp,
    "all anyhow": lambda row, _: row * 7919.0 % 4001 * 1e6,
}


def damaged(name: str) -> Trace:
    """Read a recording so damaged."""
    lines = (
        f"({DAMAGE[name](row, START_S + 0.005 * row):.6f}) can0 {0x100 + row % 7:03X}#{row:016X}\n"
        for row in range(COUNT)
    )
    return read_trace(io.BytesIO("".join(lines).encode()))


@pytest.mark.parametrize("name", DAMAGE)
def test_damaged_stamps_cost_no_memory_and_are_told(name: str) -> None:
    trace = damaged(name)
    assert len(trace) == COUNT
    tracemalloc.start()
    seen = survey(trace).result.recording
    checkup = check(read_plan("traces/quernholt.toml"), trace)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert seen.quality == ("poor" if name.startswith(("every", "all")) else "usable")
    assert any("clock was set or restarted" in reason for reason in seen.quality_reasons)
    assert {output.verdict for output in checkup.result.outputs.values()} == {"not-proven"}
    assert peak < 200e6
