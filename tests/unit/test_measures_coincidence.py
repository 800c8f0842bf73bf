"""Coincidence: the stated chance is exact where it can be, and outputs that know nothing of the controls fail it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.stats import hypergeom

from canlens.measures.outputs.coincidence import coincidence, hypergeometric_tail
from canlens.plan import Mark
from canlens.plan.rule import OFF, ON
from tests.unit.small_jobs import answering, job, planned, presses, track_of

if TYPE_CHECKING:
    from canlens.nouns.outputs import Track

END_S = 120.0
RULE = [step for start, stop in presses(8, first_s=3.0, every_s=11.0) for step in ((start, ON), (stop, OFF))]


def track(edge_s: list[float]) -> Track:
    """Return a track that is off at first and changes at these times [s]."""
    return track_of([(0.0, OFF), *((time_s, (row + 1) % 2) for row, time_s in enumerate(edge_s))], end_s=END_S)


@pytest.mark.parametrize(
    ("slots", "answered", "operated"), [(20, 4, 4), (24, 10, 8), (30, 0, 5), (7, 7, 3), (400, 90, 70)]
)
def test_the_chance_of_as_many_hits_is_the_hypergeometric_one(slots: int, answered: int, operated: int) -> None:
    # scipy.stats.hypergeom.sf(H - 1, K, S, N)
    for hits in range(operated + 1):
        wanted = hypergeom.sf(hits - 1, slots, answered, operated)
        assert hypergeometric_tail(slots, answered, operated, hits) == pytest.approx(wanted, abs=1e-9)


def test_an_answer_to_every_exercise_and_nothing_else_is_hardly_chance() -> None:
    found = coincidence(
        track([time_s for time_s, _ in RULE]), track([time_s + 0.1 for time_s, _ in RULE]), answer_s=0.3
    )
    assert found is not None
    assert found < 0.01


def test_many_rules_tried_make_chance_likelier() -> None:
    rule, output = track([10.0, 12.0, 30.0, 32.0]), track([10.1, 12.1, 30.1, 32.1])
    one, many = (coincidence(rule, output, answer_s=0.3, tried=tried) for tried in (1, 100_000))
    assert one is not None
    assert one < 0.05
    assert many == 1.0


def test_a_blinker_in_the_rhythm_of_the_operator_may_be_chance() -> None:
    rule = track([time_s for start_s in np.arange(4.0, 100.0, 12.0) for time_s in (start_s, start_s + 1.0)])
    blinker = track([0.1 + 2.0 * number for number in range(60)])
    found = coincidence(rule, blinker, answer_s=0.3)
    assert found is not None
    assert found > 0.05


def test_what_both_owe_to_the_ignition_is_no_agreement() -> None:
    awake = track([60.0])
    rule = track([61.0, 70.0, 80.0, 82.0, 95.0, 97.0])
    output = track([61.2, 64.0, 75.0, 76.0, 88.0, 90.0])
    inside = coincidence(rule, output, answer_s=0.3, awake=awake)
    assert inside is not None
    assert inside > 0.05


def test_a_recording_of_a_few_seconds_tells_nothing_of_chance() -> None:
    short = track_of([(0.0, OFF), (2.0, ON), (3.0, OFF)], end_s=9.0)
    assert coincidence(short, short, answer_s=0.3) is None
    assert coincidence(track([]), track([]), answer_s=0.3) is None


@pytest.mark.parametrize("kind", ["random", "bursts", "blinking"])
def test_unrelated_outputs_fall_below_a_level_no_oftener_than_it_says(kind: str) -> None:
    draws = np.random.default_rng(5)
    below, runs = 0, 200
    for _ in range(runs):
        start_s = np.sort(draws.choice(np.arange(1.0, 115.0, 4.0), 6, replace=False)) + draws.uniform(0, 1)
        rule = track([time_s for each in start_s for time_s in (each, each + 1.0)])
        if kind == "random":
            edges = draws.uniform(0.1, END_S, 40)
        elif kind == "bursts":
            edges = np.concatenate([at + np.cumsum(draws.uniform(0.2, 1.0, 8)) for at in draws.uniform(0.1, 110.0, 5)])
        else:
            edges = np.arange(draws.uniform(0.1, 4.0), END_S, 2.0)
        found = coincidence(rule, track(np.unique(edges).tolist()), answer_s=0.3)
        below += found is not None and found <= 0.05
    assert below <= most_below(runs)


def most_below(runs: int) -> int:
    """Return how many of so many tests at the level 0.05 may fall below it: five standard errors above the mean."""
    return int(0.05 * runs + 5 * (0.05 * 0.95 * runs) ** 0.5)


DRAWN = (2, 3, 7, 12, 13, 18)
"""Which of twenty slots of 2.5 s were drawn for operating; in the others nothing was touched."""


def in_slots(slots: tuple[int, ...]) -> Track:
    """Return a track that is on for a second in each of some slots."""
    return track([time_s for slot in slots for time_s in (5.0 + 2.5 * slot + 0.3, 5.0 + 2.5 * slot + 1.3)])


def marked(slots: int = 20) -> np.typing.NDArray[np.float64]:
    return np.asarray(5.0 + 2.5 * np.arange(slots), np.float64)


def test_marked_slots_are_the_ones_drawn_anew() -> None:
    # all of six drawn slots answered, nothing in the fourteen of rest: 1 in C(20, 6)
    output = track([time_s + 0.1 for time_s in in_slots(DRAWN).time_s[1:]])
    found = coincidence(in_slots(DRAWN), output, answer_s=0.3, marked_s=marked())
    assert found == pytest.approx(1 / math.comb(20, 6))
    assert coincidence(in_slots(DRAWN), output, answer_s=0.3, marked_s=marked(), tried=100) == pytest.approx(
        100 / math.comb(20, 6)
    )
    plain = coincidence(in_slots(DRAWN), output, answer_s=0.3)
    assert plain is not None
    assert plain > 50 / math.comb(20, 6)


def test_an_output_that_also_moves_at_rest_is_likelier_to_be_chance() -> None:
    output = in_slots((*DRAWN, 0, 5, 9, 15))
    found = coincidence(in_slots(DRAWN), output, answer_s=0.3, marked_s=marked())
    assert found == pytest.approx(float(hypergeom.sf(5, 20, 10, 6)))


def test_slots_operated_in_a_rhythm_are_still_shifted() -> None:
    every_third = (1, 4, 7, 10, 13, 16)
    output = track([time_s + 0.1 for time_s in in_slots(every_third).time_s[1:]])
    found = coincidence(in_slots(every_third), output, answer_s=0.3, marked_s=marked())
    assert found is not None
    assert found > 1 / math.comb(20, 6)


@pytest.mark.parametrize("slots", [np.zeros(0), marked(3), marked(10)])
def test_marks_that_do_not_hold_every_exercise_tell_of_no_slots(slots: np.typing.NDArray[np.float64]) -> None:
    output = track([time_s + 0.1 for time_s in in_slots(DRAWN).time_s[1:]])
    without, given = (coincidence(in_slots(DRAWN), output, answer_s=0.3, marked_s=each) for each in (None, slots))
    assert given == without


def test_the_chance_of_a_job_with_marked_rest_is_stated_by_its_slots() -> None:
    horn = [(float(step), float(step) + 1.0) for step in in_slots(DRAWN).time_s[1::2]]
    outputs = {"siren": planned("horn", answering(horn))}
    starts = marked().tolist()
    marks = [Mark(start_s, "horn" if slot in DRAWN else "rest") for slot, start_s in enumerate(starts)]
    noted = replace(job({"horn": horn}, outputs, end_s=70), marks=tuple(marks))
    assert noted.output("siren").seen.coincidence == pytest.approx(1 / math.comb(20, 6))
