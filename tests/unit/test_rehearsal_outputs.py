"""One output's model: rule, latency, timers, level, flashing, over-current."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.plan import Rule
from canlens.plan.rule import parse_rule
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.output_model import OutputCourse, OutputModel, Trip
from canlens.rehearsal.timeline import Timeline, constant, from_spans

CONTROLS = {
    "horn": from_spans([(10.0, 12.0)]),
    "key": from_spans([(5.0, 40.0)]),
    "dusk": from_spans([(20.0, 30.0)]),
    "never": constant(0.0),
}
EXACT = OutputModel(Rule.of("key"), load_a=2.0, latency_s=(0.02, 0.02))


def run(model: OutputModel) -> OutputCourse:
    return model.run(CONTROLS, end_s=100.0, draws=Draws(1, "test"))


def spans(line: Timeline) -> list[tuple[float, float]]:
    return [(round(start, 9), round(end, 9)) for start, end in line.spans(100.0)]


def test_an_output_follows_its_rule_after_its_latency() -> None:
    assert spans(run(EXACT).told) == [(5.02, 40.02)]
    both = replace(EXACT, rule=parse_rule("key and not horn", CONTROLS))
    assert spans(run(both).told) == [(5.02, 10.02), (12.02, 40.02)]


def test_a_rule_that_is_on_from_the_start_is_on_in_the_first_moment() -> None:
    course = run(replace(EXACT, rule=parse_rule("not key", CONTROLS)))
    assert course.told.at(np.array([0.0, 5.01, 5.03, 40.01, 40.03, 99.9])).tolist() == [1, 1, 0, 0, 1, 1]


@pytest.mark.parametrize(
    ("model", "end_s"),
    [
        (replace(EXACT, run_on_s=20.0), 60.0),
        (replace(EXACT, cut_after_s=10.0), 15.0),
        (replace(EXACT, cut_after_s=50.0), 40.0),
    ],
)
def test_a_timer_ends_an_output_at_its_time(model: OutputModel, end_s: float) -> None:
    ((start, end),) = run(model).told.spans(100.0)
    assert start == pytest.approx(5.02)
    assert end == pytest.approx(end_s + 0.02, rel=0.005)


def test_a_rule_that_comes_back_during_the_run_on_leaves_the_output_on() -> None:
    again = {**CONTROLS, "key": from_spans([(5.0, 10.0), (12.0, 20.0)])}
    course = replace(EXACT, run_on_s=5.0).run(again, end_s=100.0, draws=Draws(1, "test"))
    assert len(course.told.spans(100.0)) == 1


def test_the_level_follows_day_and_night() -> None:
    course = run(replace(EXACT, level_day=100.0, level_night=40.0, night="dusk"))
    assert course.level.at(np.array([4.0, 6.0, 25.0, 31.0, 41.0])).tolist() == [0.0, 100.0, 40.0, 100.0, 0.0]


def test_flashing_alternates_at_its_frequency_and_only_while_its_rule_is_on() -> None:
    course = run(replace(EXACT, flash_when=Rule.of("horn"), flash_hz=2.0))
    rises = course.told.jumps()
    rising = rises.time_s[rises.value > 0]
    assert rising.tolist() == pytest.approx([5.02, 10.52, 11.02, 11.52, 12.02])


def test_an_over_current_switches_off_after_each_try_and_stays_off() -> None:
    trip = Trip(after_s=0.2, tries=1, apart_s=1.0, is_reported=True)
    assert spans(run(replace(EXACT, trip=trip)).told) == [(5.02, 5.22), (6.22, 6.42)]
    silent = run(replace(EXACT, trip=replace(trip, is_reported=False)))
    assert spans(silent.told) == [(5.02, 40.02)]
    assert spans(silent.lit) == [(5.02, 5.22), (6.22, 6.42)]


def test_stuck_outputs_follow_nothing() -> None:
    assert run(replace(EXACT, stuck=1)).told.spans(100.0) == [(0.0, 100.0)]
    assert run(replace(EXACT, stuck=0)).told.spans(100.0) == []


PRESSED = {"horn": from_spans([(10.0, 12.0), (20.0, 20.5), (30.0, 33.0)])}
HORN = replace(EXACT, rule=Rule.of("horn"))


@pytest.mark.parametrize(
    ("model", "expected"),
    [
        (replace(HORN, latch=True), [(10.02, 20.02), (30.02, 100.02)]),
        (replace(HORN, pulse_s=1.0), [(10.02, 11.02), (20.02, 21.02), (30.02, 31.02)]),
        (replace(HORN, min_on_s=2.5), [(10.02, 12.52), (20.02, 22.52), (30.02, 33.02)]),
        (replace(HORN, delay_s=1.0), [(11.02, 12.02), (31.02, 33.02)]),
        (replace(HORN, off_after_s=0.5), [(10.02, 12.52), (20.02, 21.02), (30.02, 33.52)]),
    ],
)
def test_an_output_follows_in_the_way_of_its_plan(model: OutputModel, expected: list[tuple[float, float]]) -> None:
    course = model.run(PRESSED, end_s=100.0, draws=Draws(1, "test"))
    assert [(round(a, 9), round(min(b, 100.02), 9)) for a, b in course.told.spans(100.02)] == expected
