"""Answers: which exercises an output followed, in time, late or never – and what cannot be told is not counted."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.measures.outputs.answers import answers, dropped, release
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import answering, job, planned, presses, track_of, wave

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.outputs import Answers, Track

HORN = track_of([(0, OFF), (2, ON), (4, OFF), (6, ON), (8, OFF)], end_s=12)
KINDS = ("answered", "late", "unanswered", "dropped_out", "too_short", "held", "unasked")


def output_of(*steps: tuple[float, int], end_s: float = 12, cycle_s: float | None = None, line: int = 1001) -> Track:
    return track_of(steps, end_s=end_s, cycle_s=cycle_s, first_line=line)


def counts(found: Answers) -> dict[str, int]:
    """Return what there is any of; due must be the sum of what counts."""
    assert len(found.due) == len(found.answered) + len(found.late) + len(found.unanswered) + len(found.dropped_out)
    return {kind: len(getattr(found, kind)) for kind in KINDS if len(getattr(found, kind))}


def judged(
    *steps: tuple[float, int], within_s: float = 0.3, rule: Track = HORN, run_on_s: float = 0.0
) -> dict[str, int]:
    return counts(answers(rule, output_of(*steps, end_s=rule.end_s), within_s=within_s, run_on_s=run_on_s))


def test_a_rule_that_never_rose_has_no_answers() -> None:
    found = answers(track_of([(0, ON), (5, OFF)], end_s=9), output_of((0, OFF)), within_s=0.3)
    assert counts(found) == {}


def test_each_exercise_that_is_followed_in_time_is_answered() -> None:
    found = answers(HORN, output_of((0, OFF), (2.1, ON), (4.1, OFF), (6.2, ON), (8.1, OFF)), within_s=0.3)
    assert counts(found) == {"answered": 2}
    assert found.latency_s == pytest.approx([0.1, 0.2])
    assert found.answered.line.tolist() == [11, 31]
    assert found.answered.time_s.tolist() == [2, 6]


def test_an_answer_exactly_at_the_deadline_is_in_time() -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=12)
    assert judged((0, OFF), (2.25, ON), (4.1, OFF), within_s=0.25, rule=horn) == {"answered": 1}
    assert judged((0, OFF), (2.2500001, ON), (4.1, OFF), within_s=0.25, rule=horn) == {"late": 1}


def test_a_late_answer_bears_the_edge_and_the_delay() -> None:
    found = answers(HORN, output_of((0, OFF), (3, ON), (4.1, OFF), (6.1, ON), (8.1, OFF)), within_s=0.3)
    assert counts(found) == {"answered": 1, "late": 1}
    assert found.late.line.tolist() == [11]
    assert found.late_s.tolist() == [1]


def test_an_answer_after_the_rule_has_ended_is_late_and_not_unasked() -> None:
    assert judged((0, OFF), (4.5, ON), (5, OFF), (6.1, ON), (8.1, OFF), within_s=0.6) == {"answered": 1, "late": 1}


def test_an_output_that_never_comes_leaves_all_unanswered() -> None:
    assert judged((0, OFF)) == {"unanswered": 2}


def test_an_output_that_is_on_all_the_time_answers_nothing() -> None:
    assert judged((0, ON)) == {"unanswered": 2}


def test_a_status_message_slower_than_the_deadline_is_judged_at_its_first_row_after_it() -> None:
    found = answers(HORN, output_of((0, OFF), (3, ON), (5, OFF), (7, ON), (9, OFF), cycle_s=1), within_s=0.3)
    assert counts(found) == {"answered": 2}
    missed = answers(HORN, output_of((0, OFF), (4, ON), (5, OFF), (7, ON), (9, OFF), cycle_s=1), within_s=0.3)
    assert counts(missed) == {"answered": 1, "late": 1}


def test_an_exercise_shorter_than_answer_time_and_interval_is_inconclusive_when_not_answered() -> None:
    horn = track_of([(0, OFF), (2, ON), (2.75, OFF)], end_s=9)
    output = output_of((0, OFF), end_s=9, cycle_s=0.5)
    assert counts(answers(horn, output, within_s=0.5)) == {"too_short": 1}
    assert counts(answers(horn, output, within_s=0.25)) == {"unanswered": 1}, "exactly long enough counts"


def test_an_exercise_too_short_counts_when_it_is_answered() -> None:
    horn = track_of([(0, OFF), (2, ON), (2.2, OFF)], end_s=9)
    found = answers(horn, output_of((0, OFF), (2.1, ON), (2.3, OFF), end_s=9), within_s=0.5)
    assert counts(found) == {"answered": 1}


def test_an_exercise_in_the_last_moments_is_inconclusive() -> None:
    assert judged((0, OFF), rule=track_of([(0, OFF), (2, ON)], end_s=2.25)) == {"too_short": 1}
    assert judged((0, OFF), rule=track_of([(0, OFF), (2, ON)], end_s=2.25), within_s=0.25) == {"unanswered": 1}


def test_a_blip_before_the_deadline_is_no_late_answer() -> None:
    found = answers(HORN, output_of((0, OFF), (2.05, ON), (2.1, OFF), (6.1, ON), (8.1, OFF)), within_s=0.3)
    assert counts(found) == {"answered": 1, "dropped_out": 1}


def test_an_output_that_answers_in_time_and_drops_out_is_not_late_when_it_returns() -> None:
    steps = ((0, OFF), (2.05, ON), (2.1, OFF), (3, ON), (4.1, OFF), (6.1, ON), (8.1, OFF))
    found = answers(HORN, output_of(*steps), within_s=0.3)
    assert counts(found) == {"answered": 1, "dropped_out": 1}
    assert found.dropped_out.time_s.tolist() == [2]


def cyclic(*steps: tuple[float, int], cycle_s: float = 0.1) -> Track:
    return track_of(steps, end_s=12, cycle_s=cycle_s)


def test_an_output_that_rises_between_the_rows_around_its_edge_has_answered_at_once() -> None:
    horn = cyclic((0, OFF), (2, ON), (4, OFF))
    found = answers(horn, output_of((0, OFF), (1.93, ON), (3.95, OFF)), within_s=0.3)
    assert counts(found) == {"answered": 1}
    assert found.latency_s.tolist() == [0]
    assert judged((0, OFF), (1.87, ON), (3.95, OFF), rule=horn) == {"unanswered": 1, "unasked": 1}


def test_a_fall_between_the_rows_around_the_end_of_the_rule_is_a_release_and_no_drop() -> None:
    horn = cyclic((0, OFF), (2, ON), (4, OFF))
    output = output_of((0, OFF), (2.1, ON), (3.95, OFF))
    assert len(dropped(horn, output, flashing=None, settle_s=0.3)) == 0
    timer = release(horn, output, within_s=0.3)
    assert (timer.completed, len(timer.wrong), timer.longest_s.tolist()) == (1, 0, [0])
    assert len(dropped(horn, output_of((0, OFF), (2.1, ON), (3.87, OFF)), flashing=None, settle_s=0.3)) == 1


def test_bounces_are_one_exercise_judged_from_the_press_that_lasts() -> None:
    horn = track_of([(0, OFF), (2, ON), (2.01, OFF), (2.03, ON), (4, OFF), (4.02, ON), (4.03, OFF)], end_s=12)
    assert judged((0, OFF), (2.1, ON), (4.1, OFF), rule=horn) == {"answered": 1}
    assert judged((0, OFF), rule=horn) == {"unanswered": 1}
    hurried = track_of([(0, OFF), (2, ON), (2.1, OFF), (2.2, ON), (4, OFF)], end_s=12)
    assert judged((0, OFF), (2.3, ON), (4.1, OFF), rule=hurried) == {"answered": 1}
    assert judged((0, OFF), (2.05, ON), (4.1, OFF), rule=hurried) == {"answered": 1}


def test_nothing_is_judged_where_the_rows_around_the_deadline_are_lost() -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=12)
    shown = cyclic((0, OFF), cycle_s=0.1)
    assert counts(answers(horn, shown, within_s=0.3)) == {"unanswered": 1}
    lossy = replace(shown, rows_s=shown.rows_s[(shown.rows_s < 2.2) | (shown.rows_s > 2.7)])
    assert counts(answers(horn, lossy, within_s=0.3)) == {"too_short": 1}


def test_a_rise_while_the_rule_is_off_is_unasked() -> None:
    steps = ((0, OFF), (2.1, ON), (4.1, OFF), (5, ON), (5.5, OFF), (6.1, ON), (8.1, OFF), (10, ON))
    found = answers(HORN, output_of(*steps), within_s=0.3)
    assert counts(found) == {"answered": 2, "unasked": 2}
    assert found.unasked.line.tolist() == [1031, 1071]


@pytest.mark.parametrize(("rise_s", "unasked"), [(4.25, 0), (4.2500001, 1)])
def test_a_rise_within_the_answer_time_after_the_rule_is_not_called_unasked(rise_s: float, unasked: int) -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=12)
    found = answers(horn, output_of((0, OFF), (2.1, ON), (4.05, OFF), (rise_s, ON)), within_s=0.25)
    assert len(found.unasked) == unasked


def test_a_rise_before_the_rule_was_known_for_long_enough_is_not_called_unasked() -> None:
    horn = track_of([(1, OFF)], end_s=12)
    assert judged((0, OFF), (1.2, ON), rule=horn) == {}
    assert judged((0, OFF), (1.4, ON), rule=horn) == {"unasked": 1}


def test_an_edge_met_by_a_run_on_does_not_count() -> None:
    assert judged((0, OFF), (2.1, ON), (10, OFF), run_on_s=3.0) == {"answered": 1, "held": 1}
    assert judged((0, OFF), (2.1, ON), (10, OFF)) == {"answered": 1, "unanswered": 1}


def test_an_edge_met_by_an_output_on_from_before_the_recording_does_not_count_while_a_run_on_may_explain_it() -> None:
    assert judged((0, ON), (3, OFF), (6.1, ON), run_on_s=30) == {"answered": 1, "held": 1}
    assert judged((0, ON), run_on_s=1.0) == {"unanswered": 2}


def test_a_double_press_that_the_output_bridges_counts_once() -> None:
    horn = track_of([(0, OFF), (2, ON), (3, OFF), (3.1, ON), (4, OFF)], end_s=9)
    assert judged((0, OFF), (2.1, ON), (4.1, OFF), rule=horn) == {"answered": 1, "held": 1}


def test_of_equal_stamps_the_later_line_is_the_later_one() -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=9, first_line=100)
    after = answers(horn, output_of((0, OFF), (2, ON), (4.1, OFF), end_s=9, line=101), within_s=0.3)
    assert counts(after) == {"answered": 1}
    assert after.latency_s.tolist() == [0]
    before = answers(horn, output_of((0, OFF), (2, ON), (4.1, OFF), end_s=9, line=1), within_s=0.3)
    assert counts(before) == {"unanswered": 1}, "an output that is already on cannot answer"


def test_no_latency_is_ever_negative() -> None:
    generator = np.random.default_rng(1)
    for _ in range(50):
        edge_s, step_s = (np.sort(generator.choice(1000, 40, replace=False)) / 50 for _ in range(2))
        rule = track_of([(time_s, row % 2) for row, time_s in enumerate(edge_s)], end_s=20)
        output = output_of(*((time_s, row % 2) for row, time_s in enumerate(step_s)), end_s=20)
        found = answers(rule, output, within_s=0.3)
        assert (found.latency_s >= 0).all()
        assert (found.latency_s <= 0.3 + 1e-9).all()
        assert (found.late_s > 0.3).all()
        counts(found)


@pytest.mark.parametrize(
    "steps",
    [
        [(3, OFF)],  # the output's message came only after the first deadline
        [(0, OFF), (1, UNKNOWN), (5, OFF)],  # it stayed away across the exercise
        [(0, OFF), (2.1, UNKNOWN), (2.5, ON), (4, OFF)],  # it went on while away
    ],
)
def test_what_the_output_did_while_its_message_was_away_is_not_held_against_it(
    steps: Sequence[tuple[float, int]],
) -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=9)
    assert judged(*steps, rule=horn) == {"too_short": 1}


def test_a_message_that_stays_away_after_the_deadline_hides_no_missing_answer() -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=9)
    assert judged((0, OFF), (3, UNKNOWN), rule=horn) == {"unanswered": 1}


def test_falls_mean_nothing_while_the_output_should_flash() -> None:
    horn = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=9)
    output = output_of((0, OFF), (2.05, ON), (2.15, OFF), (2.35, ON), (2.45, OFF), end_s=9)
    assert counts(answers(horn, output, within_s=0.3)) != {"answered": 1}
    assert counts(answers(horn, output, within_s=0.3, flashing=horn)) == {"answered": 1}


def test_an_output_sent_on_changes_only_is_judged_at_its_deadline() -> None:
    horn = presses(3)
    state = wave(answering(horn, delay_s=0.12), cycle_s=None)
    found = job({"horn": horn}, {"siren": planned("horn", state, within_s=0.2)}, end_s=12).output("siren").answers
    assert counts(found) == {"answered": 3}
    assert found.latency_s == pytest.approx([0.12] * 3)
    late = wave(answering(horn, delay_s=0.25), cycle_s=None)
    found = job({"horn": horn}, {"siren": planned("horn", late, within_s=0.2)}, end_s=12).output("siren").answers
    assert counts(found) == {"late": 3}


def test_a_controller_that_falls_silent_is_not_counted_as_one_that_does_not_answer() -> None:
    horn = presses(4)
    state = wave(answering(horn), silent=[(7.0, 60.0)])
    found = job({"horn": horn}, {"siren": planned("horn", state)}, end_s=20).output("siren").answers
    assert counts(found) == {"answered": 2, "too_short": 2}


@pytest.mark.parametrize("edge_s", [0.1, 0.6, 0.7, 2.3, 5.6, 8.9])
def test_rounding_decides_nothing_exactly_at_the_deadline(edge_s: float) -> None:
    rule = track_of([(0, OFF), (edge_s, ON), (20, OFF)], end_s=60)
    assert judged((0, OFF), (round(edge_s + 0.3, 6), ON), rule=rule) == {"answered": 1}


def test_an_exercise_too_short_is_inconclusive_for_an_output_that_is_on_already_too() -> None:
    horn = track_of([(0, OFF), (5, ON), (5.1, OFF)], end_s=9)
    assert judged((0, ON), rule=horn) == {"too_short": 1}
