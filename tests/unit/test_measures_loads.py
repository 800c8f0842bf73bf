"""Loads: reported current and voltage against the command and the limits of the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canlens.database import SignalDefinition
from canlens.measures.outputs.loads import load
from canlens.measures.outputs.tracks import Rhythm
from canlens.plan import Output, parse_rule
from canlens.plan.rule import OFF, ON
from canlens.signals import Signal
from tests.unit.small_jobs import track_of

if TYPE_CHECKING:
    from canlens.nouns.outputs import LoadEvidence, Track

COMMAND = track_of([(0, OFF), (2, ON), (12, OFF)], end_s=20)
CYCLE_S = 0.125


def reading(*steps: tuple[float, float], end_s: float = 20) -> Signal:
    """Return a signal with a row every 1/8 s that stands at each value from its time on."""
    time_s = np.arange(0, end_s + CYCLE_S / 2, CYCLE_S)
    value = np.zeros(len(time_s))
    for since_s, number in steps:
        value[time_s >= since_s] = number
    rows = np.arange(len(time_s))
    return Signal("SirenAmps.Amps", SignalDefinition("Amps", 0, 16), rows, time_s, rows + 1, value.copy(), value)


def loaded(
    track: Track, current: Signal | None, voltage: Signal | None, flashing: Track | None = None, **limits: Any
) -> LoadEvidence:
    siren = Output("siren", parse_rule("horn", ("horn",)), **limits)
    return load(siren, track, current, voltage, flashing=flashing, rhythm_of=lambda each: Rhythm.of(each.time_s))


def judged(current: Signal | None, voltage: Signal | None = None, **limits: Any) -> LoadEvidence:
    return loaded(COMMAND, current, voltage, **limits)


def wrong(found: LoadEvidence) -> set[str]:
    names = ("over_peak", "over_continuous", "no_current", "no_voltage", "current_when_off")
    return {name for name in names if len(getattr(found, name))}


def test_a_load_that_draws_what_it_should_is_right() -> None:
    found = judged(reading((2, 6.5), (12, 0)), reading((2, 13.0), (12, 0)), load_a=6.5, continuous_a=8, peak_a=18)
    assert wrong(found) == set()
    assert found.on_current_a == found.highest_a == 6.5
    assert found.has_current
    assert found.has_voltage


def test_what_is_not_reported_is_not_judged() -> None:
    found = judged(None, None, load_a=6.5)
    assert wrong(found) == set()
    assert not (found.has_current)
    assert not (found.has_voltage)
    assert np.isnan(found.on_current_a)
    assert wrong(judged(reading((2, 50.0), (12, 0)))) == set(), "a limit that the plan does not name"


@pytest.mark.parametrize(("amps", "found"), [(18.0, set()), (18.01, {"over_peak"})])
def test_a_current_exactly_at_the_peak_limit_is_right(amps: float, found: set[str]) -> None:
    assert wrong(judged(reading((2, amps), (3, 6), (12, 0)), peak_a=18, peak_s=10)) == found


@pytest.mark.parametrize(
    ("amps", "until_s", "found"),
    [
        (8.0, 12, set()),  # exactly the limit may flow for ever
        (8.01, 4.125, set()),  # seen above it from 2 s to 4 s: exactly the peak time
        (8.01, 4.25, {"over_continuous"}),
    ],
)
def test_a_current_above_the_continuous_limit_may_last_for_the_peak_time(
    amps: float, until_s: float, found: set[str]
) -> None:
    own = judged(reading((2, amps), (until_s, 5), (12, 0)), continuous_a=8, peak_a=18, peak_s=2)
    assert wrong(own) == found
    assert own.over_continuous.time_s.tolist() == [2.0] * len(found)


@pytest.mark.parametrize(("until_s", "found"), [(3.125, set()), (3.25, {"over_continuous"})])
def test_without_a_peak_time_a_second_above_the_continuous_limit_is_forgiven(until_s: float, found: set[str]) -> None:
    assert wrong(judged(reading((2, 9), (until_s, 5), (12, 0)), continuous_a=8)) == found


@pytest.mark.parametrize(("amps", "found"), [(1.0, set()), (0.99, {"no_current"})])
def test_less_than_a_tenth_of_the_label_current_is_no_load(amps: float, found: set[str]) -> None:
    assert wrong(judged(reading((2, amps), (12, 0)), load_a=10.0)) == found


@pytest.mark.parametrize(("amps", "found"), [(0.05, set()), (0.049, {"no_current"})])
def test_without_a_label_almost_nothing_is_no_load(amps: float, found: set[str]) -> None:
    assert wrong(judged(reading((2, amps), (12, 0)))) == found


@pytest.mark.parametrize(("amps", "found"), [(2.0, set()), (2.01, {"current_when_off"})])
def test_more_than_a_fifth_of_the_label_current_must_not_flow_while_off(amps: float, found: set[str]) -> None:
    assert wrong(judged(reading((0, amps), (2, 10), (12, amps)), load_a=10.0)) == found


@pytest.mark.parametrize(("volts", "found"), [(3.0, set()), (2.99, {"no_voltage"})])
def test_less_than_three_volts_is_no_voltage(volts: float, found: set[str]) -> None:
    assert wrong(judged(None, reading((2, volts), (12, 0)))) == found


def test_inrush_and_run_down_are_not_judged() -> None:
    assert wrong(judged(reading((2.25, 6.5), (12.25, 0)), load_a=6.5)) == set()


def test_an_exercise_too_short_to_settle_says_nothing_of_the_load() -> None:
    command = track_of([(0, OFF), (2, ON), (2.25, OFF)], end_s=20)
    found = loaded(command, reading(), None)
    assert wrong(found) == set()
    assert np.isnan(found.on_current_a)


def test_the_lines_are_those_at_which_the_wrong_begins() -> None:
    found = judged(reading((2, 0.0)), load_a=5)
    assert found.no_current.time_s[0] == pytest.approx(2 + 0.3 + 2 * CYCLE_S, abs=CYCLE_S)
    assert found.no_current.line[0] == found.no_current.time_s[0] / CYCLE_S + 1


def test_nothing_is_judged_while_the_output_should_flash() -> None:
    flashing = track_of([(0, OFF), (1.5, ON), (15, OFF)], end_s=20)
    found = loaded(COMMAND, reading(), None, flashing, load_a=5)
    assert wrong(found) == set()


def test_the_voltage_of_a_dimmed_output_is_not_judged() -> None:
    found = judged(None, reading((2, 2.0), (12, 0)), level=object())
    assert wrong(found) == set()


def test_readings_that_are_no_numbers_say_nothing() -> None:
    found = judged(reading((0, np.nan)), reading((0, np.nan)), load_a=5, continuous_a=8, peak_a=18)
    assert wrong(found) == set()
    assert np.isnan(found.highest_a)
    part = judged(reading((2, np.nan), (8, 5.0), (12, 0)), load_a=5, continuous_a=8)
    assert wrong(part) == set()
    assert part.on_current_a == 5


def test_a_signal_without_rows_is_not_reported() -> None:
    nothing = np.zeros(0)
    rows = np.zeros(0, np.int64)
    empty = Signal("SirenAmps.Amps", SignalDefinition("Amps", 0, 16), rows, nothing, rows, rows, nothing)
    assert not judged(empty, empty).has_current
