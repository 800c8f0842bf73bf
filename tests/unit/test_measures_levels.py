"""Levels by day and by night, and flashing: judged where they have settled, and only where rows can show them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canlens.measures.outputs.loads import flash, level
from canlens.plan.rule import OFF, ON
from tests.unit.small_jobs import Wave, answering, flashes, job, planned, track_of, wave

if TYPE_CHECKING:
    from canlens.nouns.outputs import FlashEvidence, OutputEvidence


def rows_of(
    values: list[float], cycle_s: float = 0.1
) -> tuple[
    np.ndarray[tuple[int], np.dtype[np.float64]],
    np.ndarray[tuple[int], np.dtype[np.float64]],
    np.ndarray[tuple[int], np.dtype[np.int64]],
]:
    count = np.arange(len(values))
    return np.round(count * cycle_s, 9), np.array(values, np.float64), count + 1


def flashed(hz: float, *, cycle_s: float = 0.05, hold_s: float = 3.0, wanted_hz: float = 4.0) -> FlashEvidence:
    """Return what is measured of a lamp that flashes at ``hz`` from 1 s on, 4 ± 0.5 Hz planned."""
    time_s = np.array(np.round(np.arange(0, 1 + hold_s + 2, cycle_s), 9), np.float64)
    lit = (time_s >= 1) & (time_s < 1 + hold_s) & ((time_s - 1) * hz % 1 < 0.5)
    flashing = track_of([(0, OFF), (1, ON), (1 + hold_s, OFF)], end_s=float(time_s[-1]))
    rows = (time_s, np.where(lit, 100.0, 0.0).astype(np.float64), np.arange(len(time_s)) + 1)
    return flash(rows, interval_s=cycle_s, flashing=flashing, wanted_hz=wanted_hz, tolerance_hz=0.5, settle_s=0.0)


def test_each_stretch_has_its_median_and_the_wrong_ones_their_first_line() -> None:
    rows = rows_of([100, 100, 90, 0, 35, 35, 35])
    on = np.array([True, True, True, False, True, True, True])
    found = level(rows, on=on, wanted=100, tolerance=5)
    assert found.medians.tolist() == [100, 35]
    assert found.wrong.line.tolist() == [5]
    assert found.wrong.time_s.tolist() == [0.4]


@pytest.mark.parametrize(("value", "wrong"), [(95, 0), (105, 0), (94.9, 1), (105.1, 1)])
def test_a_level_is_right_up_to_its_tolerance(value: float, wrong: int) -> None:
    assert len(level(rows_of([value] * 3), on=np.ones(3, bool), wanted=100, tolerance=5).wrong) == wrong


def test_no_steady_stretch_shows_no_level() -> None:
    assert len(level(rows_of([0, 0]), on=np.zeros(2, bool), wanted=100, tolerance=5).medians) == 0


def test_rows_without_a_number_show_no_level() -> None:
    assert len(level(rows_of([np.nan, np.nan]), on=np.ones(2, bool), wanted=100, tolerance=5).medians) == 0
    mixed = level(rows_of([35, np.nan, 35]), on=np.ones(3, bool), wanted=100, tolerance=5)
    assert (mixed.medians == 35).all()
    assert len(mixed.wrong) > 0


@pytest.mark.parametrize(("hz", "wrong"), [(4.0, 0), (3.6, 0), (4.4, 0), (2.0, 1), (6.0, 1), (0.0, 1)])
def test_a_flash_rate_is_measured_and_judged(hz: float, wrong: int) -> None:
    found = flashed(hz)
    assert found.frequency_hz == pytest.approx([hz], rel=0.05)
    assert len(found.wrong) == wrong
    assert found.stretches == 1


def test_a_flash_rate_exactly_at_its_limit_is_right() -> None:
    assert len(flashed(4.0, wanted_hz=4.5).wrong) == 0
    assert len(flashed(4.0, wanted_hz=3.5).wrong) == 0


def test_a_lamp_lit_steadily_does_not_flash() -> None:
    time_s = np.round(np.arange(0, 8, 0.05), 9)
    flashing = track_of([(0, OFF), (1, ON), (5, OFF)], end_s=8)
    rows = (time_s, np.full(len(time_s), 100.0), np.arange(len(time_s)) + 1)
    found = flash(rows, interval_s=0.05, flashing=flashing, wanted_hz=4, tolerance_hz=0.5, settle_s=0.3)
    assert found.frequency_hz.tolist() == [0]
    assert found.wrong.time_s.tolist() == [1.3]


@pytest.mark.parametrize("hold_s", [0.3, 0.4, 0.5, 0.55, 0.6, 0.65, 0.7, 0.8, 1.0])
@pytest.mark.parametrize("hz", [3.6, 4.0, 4.4])
def test_a_short_stretch_never_makes_a_right_flash_wrong(hold_s: float, hz: float) -> None:
    assert len(flashed(hz, hold_s=hold_s).wrong) == 0


def test_a_stretch_of_less_than_two_flashes_shows_no_frequency() -> None:
    assert flashed(4.0, hold_s=0.45).stretches == 0


def test_rows_too_seldom_to_show_flashing_say_so_and_judge_nothing() -> None:
    found = flashed(4.0, cycle_s=0.2)
    assert not found.is_fine
    assert len(found.wrong) == 0


def test_a_level_whose_rows_end_before_the_flashing_shows_no_flashing() -> None:
    time_s = np.round(np.arange(0, 2, 0.05), 9)
    flashing = track_of([(0, OFF), (5, ON), (9, OFF)], end_s=12)
    rows = (time_s, np.zeros(len(time_s)), np.arange(len(time_s)) + 1)
    assert flash(rows, interval_s=0.05, flashing=flashing, wanted_hz=4, tolerance_hz=0.5, settle_s=0.3).stretches == 0


IGNITION = [(2.0, 30.0)]
DUSK = [(12.0, 22.0)]
NIGHTLY: dict[str, Any] = {"level_day": 100.0, "level_night": 35.0, "night": "dusk"}
LEVELS = [(2.05, 100), (12.05, 35), (22.05, 100), (30.05, 0)]


def lamp(levels: list[tuple[float, int]], *, dusk: list[tuple[float, float]] = DUSK, **options: Any) -> OutputEvidence:
    """Return the evidence of a lamp on while the ignition is, 100 % by day and 35 % by night."""
    flood = planned(
        "ignition",
        answering(IGNITION),
        level=Wave(levels),
        **NIGHTLY | options,
    )
    return job({"ignition": IGNITION, "dusk": dusk}, {"flood": flood}, end_s=40).output("flood")


def test_levels_are_judged_by_day_and_by_night() -> None:
    own = lamp(LEVELS)
    assert own.day is not None
    assert own.night is not None
    assert own.day.medians.tolist() == [100, 100]
    assert own.night.medians.tolist() == [35]
    assert len(own.day.wrong) == len(own.night.wrong) == 0


def test_a_level_that_ignores_the_night_is_wrong_by_night_only() -> None:
    own = lamp([(2.05, 100), (30.05, 0)])
    assert own.day is not None
    assert own.night is not None
    assert len(own.day.wrong) == 0
    assert len(own.night.wrong) == 1


def test_a_night_that_never_came_shows_no_level_by_night() -> None:
    own = lamp([(2.05, 100), (30.05, 0)], dusk=[])
    assert own.night is not None
    assert len(own.night.medians) == 0


def test_a_lamp_without_a_planned_night_is_judged_by_day_throughout() -> None:
    own = lamp(LEVELS, night=None, level_night=None)
    assert own.night is None
    assert own.day is not None
    assert own.day.medians.tolist() == [100]


def test_levels_are_not_judged_while_flashing() -> None:
    horn = [(5.0, 8.0)]
    lit = flashes(horn, 4)
    levels = [(2.05, 100)] + [(at_s, on) for a, b in lit for at_s, on in ((a, 100), (b, 0))] + [(8.0, 100), (30.05, 0)]
    flood = planned(
        "ignition",
        answering(IGNITION),
        level=Wave(levels, cycle_s=0.02),
        level_day=100,
        flash_when="horn",
        flash_hz=4,
        flash_tolerance_hz=0.8,
    )
    own = job({"ignition": IGNITION, "horn": horn}, {"flood": flood}, end_s=40).output("flood")
    assert own.day is not None
    assert own.flash is not None
    assert own.day.medians.tolist() == [100, 100]
    assert own.flash.frequency_hz == pytest.approx([4], rel=0.05)
    assert len(own.flash.wrong) == 0


def test_flashing_is_read_from_the_command_where_there_is_no_level() -> None:
    horn = [(5.0, 8.0)]
    lit = [(2.05, 5.0), *flashes(horn, 2), (8.0, 30.05)]
    flood = planned("ignition", wave(lit), flash_when="horn", flash_hz=2, flash_tolerance_hz=0.4)
    own = job({"ignition": IGNITION, "horn": horn}, {"flood": flood}, end_s=40).output("flood")
    assert own.flash is not None
    assert own.flash.frequency_hz == pytest.approx([2], rel=0.05)
    assert len(own.flash.wrong) == len(own.dropped) == len(own.answers.unanswered) == 0


def test_flashing_sent_on_changes_only_is_seen_however_seldom_rows_come() -> None:
    horn = [(5.0, 8.0)]
    lit = [(2.05, 5.0), *flashes(horn, 4), (8.0, 30.05)]
    state = wave(lit, cycle_s=None)
    flood = planned("ignition", state, flash_when="horn", flash_hz=4, flash_tolerance_hz=0.8)
    own = job({"ignition": IGNITION, "horn": horn}, {"flood": flood}, end_s=40).output("flood")
    assert own.flash is not None
    assert own.flash.is_fine
    assert own.flash.frequency_hz == pytest.approx([4], rel=0.01)
