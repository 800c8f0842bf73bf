"""Stretches: runs of rows in which nothing changes."""

from __future__ import annotations

import numpy as np

from canlens.measures.outputs.loads import calm, medians, runs, steady
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import track_of

LAMP = track_of([(0, OFF), (2, ON), (5, UNKNOWN), (6, ON)], end_s=9)


def test_a_state_is_steady_once_it_has_held_for_long_enough() -> None:
    at_s = np.array([1.0, 2.4, 2.5, 2.6, 4.0, 5.5, 6.2, 7.0])
    assert steady(LAMP, ON, at_s, 0.5).tolist() == [False, False, True, True, True, False, False, True]
    assert steady(LAMP, OFF, at_s, 0.5).tolist() == [True] + [False] * 7


def test_nothing_is_steady_before_the_first_row() -> None:
    late = track_of([(2, ON)], end_s=9)
    assert steady(late, ON, np.array([1.0, 2.2, 2.6]), 0.5).tolist() == [False, False, True]
    assert steady(late, OFF, np.array([1.0, 2.2, 2.6]), 0.5).tolist() == [False, False, False]


def test_a_state_that_ends_before_it_has_settled_is_never_steady() -> None:
    assert not steady(track_of([(0, OFF), (2, ON), (2.4, OFF)], end_s=9), ON, np.arange(0, 9, 0.1), 0.5).any()


def test_an_output_is_calm_away_from_its_flashing() -> None:
    at_s = np.array([1.9, 2.0, 4.9, 5.4, 5.6, 6.1])
    assert calm(LAMP, at_s, 0.5).tolist() == [True, False, False, False, True, False]
    assert calm(None, at_s, 0.5).all()


def test_true_rows_beside_one_another_are_one_run() -> None:
    starts, stops = runs(np.array([True, False, True, True]))
    assert (starts.tolist(), stops.tolist()) == ([0, 2], [1, 4])
    assert [len(each) for each in runs(np.zeros(0, bool))] == [0, 0]


def test_medians_are_those_of_numpy() -> None:
    generator = np.random.default_rng(5)
    for _ in range(20):
        value = generator.integers(0, 50, 60).astype(np.float64)
        value[generator.random(60) < 0.2] = np.nan
        starts, stops = runs(generator.random(60) < 0.7)
        numbers = [value[a:b][~np.isnan(value[a:b])] for a, b in zip(starts, stops, strict=True)]
        expected = [np.median(each) if len(each) else np.nan for each in numbers]
        np.testing.assert_array_equal(medians(value, starts, stops), expected)


def test_no_run_has_no_median() -> None:
    nothing = np.zeros(0, np.int64)
    assert medians(np.array([1.0]), nothing, nothing).tolist() == []
