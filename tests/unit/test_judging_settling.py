"""Settling: what to record next – for one output, and the shortest list for the whole job."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from canlens.judging import Exercise, telling
from canlens.judging.settling import exercising
from canlens.plan import parse_rule
from canlens.trace import Problem
from tests.unit.small_jobs import answering, job, planned, presses, without_frames

NAMES = ("horn", "brake", "ignition")


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ("horn", "brake", "operate brake once while horn is off"),
        ("horn", "horn or brake", "operate brake once while horn is off"),
        ("horn", "horn and ignition", "operate horn once while ignition is off"),
        ("horn and ignition", "horn and brake", "operate horn and ignition once while brake is off"),
        ("not horn", "horn", "operate nothing while horn is off"),
    ],
)
def test_the_exercise_that_tells_two_rules_apart_does_so_and_is_short(first: str, second: str, words: str) -> None:
    one, other = parse_rule(first, NAMES), parse_rule(second, NAMES)
    found = telling(one, other)
    assert found is not None
    states = {name: np.array([int(name in found.operate | found.on)], np.int8) for name in NAMES}
    assert one.evaluate(states)[0] != other.evaluate(states)[0], "the exercise must do what it promises"
    said = found.words(NAMES)
    assert said.endswith(", for at least 2.0 s")
    assert len(said.split(",")[0].split()) == len(words.split())


def test_the_same_rule_in_other_words_has_no_telling_exercise() -> None:
    assert telling(parse_rule("horn or brake", NAMES), parse_rule("brake or horn", NAMES)) is None


def test_rules_that_only_a_great_many_controls_tell_apart_have_no_simple_exercise() -> None:
    first, second = [f"a{number}" for number in range(16)], [f"b{number}" for number in range(16)]
    every = [*first, *second]
    assert telling(parse_rule(" and ".join(first), every), parse_rule(" and ".join(second), every)) is None


@pytest.mark.parametrize(
    ("rule", "control", "on", "off"),
    [
        ("horn", "horn", set(), set()),
        ("horn and ignition", "horn", {"ignition"}, set()),
        ("horn or brake", "horn", set(), {"brake"}),
        ("horn and not brake", "brake", {"horn"}, set()),
        ("(horn or brake) and ignition", "horn", {"ignition"}, {"brake"}),
    ],
)
def test_a_control_is_exercised_where_it_matters(rule: str, control: str, on: set[str], off: set[str]) -> None:
    found = exercising(parse_rule(rule, NAMES), control)
    assert [set(each) for each in (found.operate, found.on, found.off)] == [{control}, on, off]


def test_exercises_that_can_be_done_together_become_one() -> None:
    horn = Exercise(frozenset({"horn"}), on=frozenset({"ignition"}), count=2, hold_s=0.5)
    alone = Exercise(frozenset({"horn"}), off=frozenset({"brake"}), count=3, wait_s=35.0)
    both = Exercise(frozenset({"horn", "ignition"}), hold_s=10.0)
    whole = horn.with_also(alone)
    assert whole is not None
    assert whole.words(NAMES) == (
        "operate horn 3 times while ignition is on and brake is off, each time for at least 2.0 s, "
        "then leave it alone for 35 s"
    )
    assert horn.with_also(both) == replace(horn, hold_s=10.0)
    assert both.with_also(horn) == replace(horn, hold_s=10.0)


def test_exercises_that_exclude_each_other_stay_two() -> None:
    with_it = Exercise(frozenset({"horn"}), on=frozenset({"ignition"}))
    without = Exercise(frozenset({"horn"}), off=frozenset({"ignition"}))
    assert with_it.with_also(without) is None
    assert with_it.with_also(Exercise(frozenset({"brake"}))) is None
    assert Exercise(frozenset({"horn", "ignition"})).with_also(without) is None


def test_the_list_of_a_proven_job_is_empty() -> None:
    horn = presses(3)
    assert (
        job({"horn": horn}, {"siren": planned("horn", answering(horn))}, end_s=12).checkup.result.next_exercises == ()
    )


def test_one_exercise_serves_all_outputs_of_a_control() -> None:
    horn = presses(2)
    outputs = {"siren": planned("horn", answering(horn)), "lamp": planned("horn", answering(horn), min_exercises=4)}
    result = job({"horn": horn}, outputs, end_s=12).checkup.result
    assert result.outputs["siren"].next_exercise == "operate horn once more, for at least 0.5 s"
    assert result.next_exercises == ("operate horn 2 times more, each time for at least 0.5 s",)


def test_the_list_names_timers_levels_and_what_tells_rules_apart() -> None:
    horn = presses(3)
    outputs = {
        "siren": planned("horn", answering(horn, run_on_s=30.0), run_on_s=30.0, run_on_tolerance_s=1.5),
        "lamp": planned("brake", answering(horn)),
    }
    result = job({"horn": horn, "brake": horn}, outputs, end_s=12).checkup.result
    assert {each.verdict for each in result.outputs.values()} == {"not-proven"}
    assert any("operate brake once while horn is off" in each for each in result.next_exercises)
    assert any("then leave it alone for 36.5 s" in each for each in result.next_exercises)


def test_an_output_that_the_bus_does_not_show_must_be_watched() -> None:
    horn = presses(3)
    result = job({"horn": horn}, {"siren": planned("horn")}, end_s=12).checkup.result
    assert result.next_exercises == (
        "operate horn 3 times, each time for at least 1.4 s, watch siren and note with --observed what it does",
    )


def test_after_an_empty_or_poor_recording_everything_is_on_the_list() -> None:
    horn = presses(3)
    one = job({"horn": horn}, {"siren": planned("horn", answering(horn))}, end_s=12)
    wanted = "operate horn 3 times, each time for at least"
    assert without_frames(one).checkup.result.next_exercises[0].startswith(wanted)
    problems = (Problem(7, "(17600", "(time) channel frame", count=len(one.trace)),)
    poor = replace(one, trace=replace(one.trace, problems=problems)).checkup.result
    assert poor.outputs["siren"].verdict == "not-proven"
    assert poor.next_exercises[0].startswith(wanted)


def test_doing_what_the_list_says_proves_the_job() -> None:
    horn, brake = presses(3), [*presses(3), (20.0, 22.0)]
    outputs = {"siren": planned("horn", answering(horn)), "lamp": planned("brake", answering(brake))}
    before = job(
        {"horn": horn, "brake": horn}, {**outputs, "lamp": planned("brake", answering(horn))}, end_s=24
    ).checkup.result
    assert before.verdict == "not-proven"
    assert before.next_exercises == ("operate brake once while horn is off, for at least 2.0 s",), "it settles both"
    assert job({"horn": horn, "brake": brake}, outputs, end_s=24).checkup.result.verdict == "proven"


def exercise(*operate: str, on: str = "", off: str = "", **more: Any) -> Exercise:
    return Exercise(frozenset(operate), frozenset(on.split()), frozenset(off.split()), **more)


@pytest.mark.parametrize(
    ("one", "other", "both"),
    [
        # the one that operates less becomes part of the other only where its control is held there
        (exercise("horn", on="key"), exercise("horn", "key"), exercise("horn", on="key")),
        (exercise("horn"), exercise("horn", "key"), None),
        (exercise("horn", on="key"), exercise("horn", on="dip"), exercise("horn", on="key dip")),
        (exercise("horn", off="key"), exercise("horn", on="dip"), exercise("horn", on="dip", off="key")),
        (exercise("horn", off="key"), exercise("horn", "key"), None),
        (exercise("horn", "key"), exercise("horn", "dip"), None),
        (exercise("horn"), exercise("key"), None),
        (exercise("horn", on="key"), exercise("key", on="horn"), None),
        (exercise(off="horn"), exercise(off="key"), exercise(off="horn key")),
    ],
)
def test_two_exercises_become_one_only_where_their_settings_agree(
    one: Exercise, other: Exercise, both: Exercise | None
) -> None:
    assert one.with_also(other) == both
    assert other.with_also(one) == both


def test_the_longer_the_more_often_and_everything_watched_stands() -> None:
    one = exercise("horn", count=3, hold_s=1.0, wait_s=2.0, watch=("siren",), is_more=True)
    other = exercise("horn", count=1, hold_s=4.0, wait_s=1.0, watch=("lamp", "siren"))
    whole = exercise("horn", count=3, hold_s=4.0, wait_s=2.0, watch=("siren", "lamp"))
    assert one.with_also(other) == whole
    more = replace(other, is_more=True)
    assert one.with_also(more) == replace(whole, is_more=True)


@pytest.mark.parametrize(
    ("one", "tells"),
    [
        (exercise("horn", off="brake"), True),
        (exercise("horn", "brake"), False),
        (exercise("horn"), False),
        (exercise("horn", off="brake", hold_s=1.9), False),
        (exercise("horn", off="brake", watch=("siren",)), False),
        (exercise("brake", on="horn"), False),
        (exercise(off="horn brake"), False),
    ],
)
def test_an_exercise_tells_two_rules_where_they_differ_whatever_else_is_done(one: Exercise, tells: bool) -> None:  # noqa: FBT001
    horn, brake = (parse_rule(name, NAMES) for name in ("horn", "brake"))
    assert one.tells((horn, brake)) == tells
    assert not one.tells(None)


def test_words_name_controls_in_the_order_of_the_plan() -> None:
    one = exercise("horn", "brake", on="ignition", off="dip key", count=2, hold_s=1.24, wait_s=3.0, watch=("a", "b"))
    assert one.words(("brake", "key", "horn", "dip", "ignition")) == (
        "operate brake and horn 2 times while ignition is on and key and dip are off, each time for at least 1.3 s, "
        "then leave it alone for 3 s, watch a and b and note with --observed what it does"
    )
    assert exercise("horn", hold_s=1.2, is_more=True).words(NAMES) == "operate horn once more, for at least 1.2 s"


def test_what_an_exercise_on_the_list_tells_anyway_is_not_asked_for_twice() -> None:
    horn = presses(3)
    same = {"siren": planned("horn", answering(horn)), "lamp": planned("brake", answering(horn))}
    result = job({"horn": horn, "brake": horn}, same, end_s=12).checkup.result
    assert result.next_exercises == ("operate brake once while horn is off, for at least 2.0 s",)
    assert {each.next_exercise for each in result.outputs.values()} == {
        "operate brake once while horn is off, for at least 2.0 s",
        "operate horn once while brake is off, for at least 2.0 s",
    }


def test_rules_that_fit_as_well_as_each_other_are_told_apart() -> None:
    horn, brake = presses(3), presses(3, first_s=12)
    both = [*horn, *brake]
    lamp = planned("horn", answering(brake), min_exercises=3)
    one = job({"horn": horn, "brake": brake, "key": brake, "dip": both}, {"lamp": lamp}, end_s=24).checkup.result
    assert one.outputs["lamp"].verdict == "failed"
    words = one.outputs["lamp"].next_exercise
    assert words is not None
    assert "brake" in words
    assert "key" in words


def test_an_exercise_lasts_an_answer_time_an_interval_and_a_tenth() -> None:
    slow = job({"horn": []}, {"siren": planned("horn", [], within_s=1.0)}, end_s=12, cycle_s=0.2).checkup.result
    assert slow.next_exercises == ("operate horn 3 times, each time for at least 1.3 s",)
    unseen = job({"horn": []}, {"siren": planned("horn", within_s=1.0)}, end_s=12).checkup.result
    assert unseen.next_exercises[0].startswith("operate horn 3 times, each time for at least 2.1 s")
