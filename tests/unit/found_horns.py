"""The sample slots of :mod:`tests.unit.small_sessions`, and what a discovery says of the horn in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import discover
from tests.unit.small_sessions import Slots, noise

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.plan import Marks
    from canlens.results.discover import ControlDiscovery, FoundPlace
    from canlens.trace import Trace

SLOTS = Slots()
END_S = SLOTS.end_s
HORN = SLOTS.spans("H")
NOISE = noise(1, end_s=END_S)


def horn_row(trace: Trace, marks: Marks | None = None, database: Database | None = None) -> ControlDiscovery:
    """Return what a discovery says of the horn."""
    return discover(trace, marks or SLOTS.marks(), database).result.controls["horn"]


def best_place(trace: Trace, marks: Marks | None = None, database: Database | None = None) -> FoundPlace:
    """Return the place that it names for the horn; none is a failure of the test."""
    row = horn_row(trace, marks, database)
    assert row.named, row.reason
    return row.candidates[0]


def place_of(each: FoundPlace) -> tuple[str, int, int, int | None]:
    """Return identifier, first bit, length and value of a place."""
    return each.identifier, each.start_bit, each.length, each.on
