"""Observations: what was seen of an output counts where it was looked at, and no more."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.measures.outputs.observations import agreement, observed_answers
from canlens.plan import Observation
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import START_NS, answering, job, planned, presses, track_of

if TYPE_CHECKING:
    from canlens.nouns.outputs import Answers, Track

HORN = track_of([(0, OFF), (10, ON), (14, OFF), (20, ON), (24, OFF)], end_s=60)


def noted(*seen: tuple[float, bool]) -> list[Observation]:
    return [Observation(time_s, "siren", on, line=row) for row, (time_s, on) in enumerate(seen, 2)]


def judged(*seen: tuple[float, bool], rule: Track = HORN, stays_s: float = 0.0) -> tuple[Answers, bool]:
    return observed_answers(rule, noted(*seen), within_s=0.3, stays_s=stays_s, offset_s=0.0)


def test_nothing_seen_answers_nothing() -> None:
    found, seen_off = judged()
    assert len(found.due) == len(found.unasked) == 0
    assert not seen_off


def test_an_output_seen_on_during_an_exercise_has_answered_it() -> None:
    found, seen_off = judged((5, False), (12, True), (17, False), (22, True))
    assert found.answered.time_s.tolist() == [10, 20]
    assert len(found.unanswered) == len(found.unasked) == 0
    assert seen_off
    assert len(found.latency_s) == 0, "eye and ear are too slow for latencies"


def test_an_exercise_nobody_looked_at_does_not_count() -> None:
    found, _ = judged((12, True))
    assert found.due.time_s.tolist() == [10]
    assert found.too_short.time_s.tolist() == [20]


def test_an_output_seen_off_well_inside_an_exercise_has_not_answered() -> None:
    found, _ = judged((12, False), (22, True))
    assert found.unanswered.time_s.tolist() == [10]


@pytest.mark.parametrize("time_s", [9.6, 10.2, 10.75, 13.6, 14.2])
def test_an_output_seen_off_near_an_edge_proves_nothing(time_s: float) -> None:
    assert len(judged((time_s, False))[0].unanswered) == 0


@pytest.mark.parametrize(("time_s", "unasked"), [(14.5, 0), (14.75, 0), (15.0, 1), (9.6, 0), (9.4, 1)])
def test_an_output_seen_on_while_its_rule_is_off_is_unasked_away_from_the_edges(time_s: float, unasked: int) -> None:
    found, _ = judged((time_s, True))
    assert len(found.unasked) == unasked
    assert found.unasked.line.tolist() == [2] * unasked


def test_an_output_seen_on_during_its_run_on_is_not_unasked() -> None:
    assert len(judged((20, True), rule=track_of([(0, OFF), (10, ON), (14, OFF)], end_s=60), stays_s=8)[0].unasked) == 0


def test_an_output_seen_on_before_the_rule_is_known_for_long_enough_is_not_unasked() -> None:
    assert len(judged((5, True), stays_s=30)[0].unasked) == 0
    assert len(judged((5, True))[0].unasked) == 1


def test_an_output_seen_while_its_rule_is_unknown_says_nothing() -> None:
    away = track_of([(0, UNKNOWN)], end_s=60)
    found, seen_off = judged((5, True), (7, False), rule=away)
    assert len(found.due) == len(found.unasked) == 0
    assert not seen_off


SIREN = track_of([(0, OFF), (10, ON), (14, OFF)], end_s=60)


@pytest.mark.parametrize(
    ("seen", "confirmed", "wrong"),
    [
        ((12, True), 1, 0),
        ((30, False), 0, 0),
        ((12, False), 0, 1),
        ((30, True), 0, 1),
        ((9.5, True), 1, 0),
        ((9.4, True), 0, 1),
        ((14.4, True), 1, 0),
        ((10.4, False), 0, 0),
        ((13.6, False), 0, 0),
        ((-5, True), 0, 0),
    ],
)
def test_what_was_seen_agrees_with_the_bus_within_half_a_second(
    seen: tuple[float, bool], confirmed: int, wrong: int
) -> None:
    count, disagreed = agreement(SIREN, noted(seen), offset_s=0.0)
    assert (count, len(disagreed)) == (confirmed, wrong)


def test_what_was_seen_before_a_slow_message_says_so_agrees() -> None:
    slow = track_of([(0, OFF), (12, ON), (16, OFF)], end_s=60, cycle_s=2.0)
    count, disagreed = agreement(slow, noted((10.5, True), (14.5, False)), offset_s=0.0)
    assert (count, len(disagreed)) == (1, 0)


HORNS = presses(3, first_s=10, hold_s=4, every_s=10)
SEEN = [(5, "siren", False), *((start + 2.0, "siren", True) for start, _ in HORNS), (38.0, "siren", False)]


def test_an_output_that_only_the_eye_sees_can_be_proven() -> None:
    one = job({"horn": HORNS, "brake": [(50.0, 52.0)]}, {"siren": planned("horn")}, end_s=60, observed=SEEN)
    result = one.result("siren")
    assert result.judged_from == "observed"
    assert (result.verdict, result.due, result.answered) == ("proven", 3, 3)
    assert result.latency_s.median is None


def test_observations_noted_as_stamps_count_alike() -> None:
    stamped = [(START_NS / 1e9 + at_s, name, on) for at_s, name, on in SEEN]
    one = job({"horn": HORNS, "brake": [(50.0, 52.0)]}, {"siren": planned("horn")}, end_s=60, observed=stamped)
    assert one.result("siren").verdict == "proven"


def test_exercises_nobody_looked_at_do_not_prove_an_output() -> None:
    seen = [SEEN[0], SEEN[1], SEEN[-1]]
    one = job({"horn": HORNS, "brake": [(50.0, 52.0)]}, {"siren": planned("horn")}, end_s=60, observed=seen)
    result = one.result("siren")
    assert (result.verdict, result.due) == ("not-proven", 1)
    assert "1 of 3" in result.reason


def test_observations_beside_the_bus_confirm_the_load() -> None:
    siren = planned("horn", answering(HORNS))
    one = job({"horn": HORNS, "brake": [(50.0, 52.0)]}, {"siren": siren}, end_s=60, observed=SEEN)
    result = one.result("siren")
    assert result.judged_from == "bus"
    assert result.links["load"] == "seen"
    assert result.verdict == "proven"


@pytest.mark.parametrize("zone_s", [0.0, 3600.0, -12_600.0])
def test_times_of_a_clock_in_any_zone_are_found(zone_s: float) -> None:
    pressed = presses(3, every_s=4.0)
    of_day_s = (START_NS / 1e9 + zone_s) % 86_400.0
    seen = [(round(of_day_s + start + 0.6, 2), "siren", True) for start, _ in pressed]
    one = job({"horn": pressed}, {"siren": planned("horn")}, end_s=16, observed=seen)
    assert one.output("siren").answers.is_as_asked
    assert len(one.output("siren").answers.answered) == len(pressed)
