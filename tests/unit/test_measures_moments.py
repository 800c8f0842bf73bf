"""Moments: the truth table that a recording shows – settings held long enough, and the output settled in each."""

from __future__ import annotations

from typing import Any

import pytest

from canlens.measures.outputs.truth_tables import Moments
from canlens.nouns.outputs import Scene
from canlens.plan import Observation, parse_rule
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import track_of

NAMES = ("a", "b")
END_S = 20.0
A = track_of([(0, OFF), (5, ON), (8, OFF)], end_s=END_S)
B = track_of([(0, OFF), (12, ON), (12.2, OFF)], end_s=END_S)


def shown(*steps: tuple[float, int], **more: Any) -> dict[tuple[int, int], tuple[int, int]]:
    """Return the moments on and off for each setting of a and b."""
    own = parse_rule("a", NAMES)
    output = track_of(list(steps), end_s=END_S) if steps else None
    found = Moments.of([Scene(own, (own,), {"a": A, "b": B}, output, 0.3, **more)])
    rows = zip(found.states.tolist(), found.on.tolist(), found.off.tolist(), strict=True)
    return {(first, second): (on, off) for (first, second), on, off in rows}


def test_each_setting_held_long_enough_is_a_moment() -> None:
    assert shown((0, OFF), (5.1, ON), (8.1, OFF)) == {(0, 0): (0, 3), (1, 0): (1, 0)}


def test_a_setting_shorter_than_an_answer_is_no_moment() -> None:
    assert (0, 1) not in shown((0, OFF), (5.1, ON), (8.1, OFF))


def test_a_late_answer_and_a_late_release_are_judged_by_the_last_state() -> None:
    assert shown((0, OFF), (7.0, ON), (10.0, OFF)) == {(0, 0): (0, 3), (1, 0): (1, 0)}


def test_an_output_that_answered_and_went_off_by_itself_was_on() -> None:
    assert shown((0, OFF), (5.1, ON), (6.0, OFF)) == {(0, 0): (0, 3), (1, 0): (1, 0)}


def test_what_a_run_on_explains_is_no_moment() -> None:
    steps = ((0, OFF), (5.1, ON), (13.0, OFF))
    assert shown(*steps) == {(0, 0): (1, 2), (1, 0): (1, 0)}
    assert shown(*steps, stays_s=6.0) == {(0, 0): (0, 2), (1, 0): (1, 0)}


def test_while_the_output_is_unknown_there_is_no_moment() -> None:
    assert shown((0, OFF), (5.1, ON), (6.0, UNKNOWN), (10.0, OFF)) == {(0, 0): (0, 2)}


@pytest.mark.parametrize(("time_s", "setting"), [(6.5, (1, 0)), (3.0, (0, 0)), (5.3, (1, 0)), (8.3, (1, 0))])
def test_on_by_eye_counts_for_what_was_on_about_then(time_s: float, setting: tuple[int, int]) -> None:
    assert shown(observed=(Observation(time_s, "lamp", on=True),)) == {setting: (1, 0)}


@pytest.mark.parametrize(("time_s", "setting"), [(6.5, (1, 0)), (3.0, (0, 0)), (5.3, None), (7.8, None)])
def test_off_by_eye_counts_only_where_nothing_had_just_changed(time_s: float, setting: tuple[int, int] | None) -> None:
    found = shown(observed=(Observation(time_s, "lamp", on=False),))
    assert found == ({} if setting is None else {setting: (0, 1)})


def test_recordings_add_up_and_nothing_gives_nothing() -> None:
    own = parse_rule("a", NAMES)
    output = track_of([(0, OFF), (5.1, ON), (8.1, OFF)], end_s=END_S)
    scene = Scene(own, (own,), {"a": A, "b": B}, output, 0.3)
    both = Moments.of([scene, scene])
    assert (both.on.sum(), both.off.sum()) == (2, 6)
    assert both.contradicting(own) == 0
    assert both.contradicting(parse_rule("not a", NAMES)) == 8
    assert both.contradicting(parse_rule("b", NAMES)) == 2
    assert [both.names[column] for column in both.moving()] == ["a"]
    assert Moments.of([]).moving() == []


def test_a_cut_off_is_not_taken_for_the_end_of_the_rule() -> None:
    own = parse_rule("a", NAMES)
    held = track_of([(0, OFF), (2, ON), (18, OFF)], end_s=END_S)
    other = track_of([(0, OFF), (9, ON), (11, OFF)], end_s=END_S)
    output = track_of([(0, OFF), (2.1, ON), (6, OFF)], end_s=END_S)
    plain, cut = (
        Moments.of([Scene(own, (own,), {"a": held, "b": other}, output, 0.3, is_cut_off=is_cut)])
        for is_cut in (False, True)
    )
    assert plain.contradicting(own) == 2
    assert cut.contradicting(own) == 0


def test_one_unanswered_exercise_contradicts_once_however_often_others_change() -> None:
    own = parse_rule("a", NAMES)
    held = track_of([(0, OFF), (2, ON), (10, OFF), (14, ON), (17, OFF)], end_s=END_S)
    other = track_of([(0, OFF), (4, ON), (5, OFF), (6, ON), (7, OFF)], end_s=END_S)
    output = track_of([(0, OFF), (14.1, ON), (17.1, OFF)], end_s=END_S)
    scene = Scene(own, (own,), {"a": held, "b": other}, output, 0.3)
    found = Moments.of([scene])
    assert (found.contradicting(own), found.stretches_contradicting(own)) == (5, 1)
    assert Moments.of([scene, scene]).stretches_contradicting(own) == 2
    # off in three pauses though it should be on, and on in one exercise though it should be off
    assert found.stretches_contradicting(parse_rule("not a", NAMES)) == 4
