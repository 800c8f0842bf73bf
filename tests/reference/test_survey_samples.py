"""Survey of recordings that others made: nothing is claimed that is not there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

import canlens
from tests.samples import samples_of

if TYPE_CHECKING:
    from canlens.overview import Survey


@pytest.fixture(scope="module")
def overview() -> Survey:
    """Survey python-can's ``test/data/issue_1256.asc``: a device whose program comes round every 10 ms."""
    folder = samples_of("python-can", "4.6.1")
    return canlens.survey(canlens.read_trace(str(next(folder.rglob("issue_1256.asc")))))


def test_a_recorded_device_with_a_coarse_timer_raises_no_warning(overview: Survey) -> None:
    found = [each for each in overview.result.findings if each.severity != "note"]
    assert found == []


def test_its_identifiers_and_cycles_are_those_of_the_file(overview: Survey) -> None:
    # counted in the file with grep; intervals read off its stamps
    rows = {each.number: each for each in overview.result.identifiers}
    assert {name: each.frames for name, each in rows.items()} == {
        "0x10": 79,
        "0x11": 265,
        "0x12": 159,
        "0x64": 795,
        "0x65": 79,
        "0x66": 80,
    }
    for name, cycle_s in (("0x10", 0.1), ("0x11", 0.03), ("0x12", 0.05), ("0x65", 0.1), ("0x66", 0.1)):
        assert rows[name].cycle_s == pytest.approx(cycle_s, rel=2e-3)
