"""Release: at once, after a run-on, or cut off while the rule lasts; and falls that nothing explains."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.measures.outputs.answers import cut_off, dropped, release
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import flashes, job, planned, track_of, wave

if TYPE_CHECKING:
    from canlens.nouns.outputs import Timer, Track

HORN = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=60)
LONG = track_of([(0, OFF), (2, ON), (50, OFF)], end_s=60)


def output_of(*steps: tuple[float, int], end_s: float = 60, cycle_s: float | None = None) -> Track:
    return track_of(steps, end_s=end_s, cycle_s=cycle_s, first_line=1001)


def seen(timer: Timer) -> tuple[int, int, int]:
    """Return how often it was completed, wrong, overdue."""
    return timer.completed, len(timer.wrong), len(timer.overdue)


@pytest.mark.parametrize(("off_s", "expected"), [(4.0, (1, 0, 0)), (4.25, (1, 0, 0)), (4.2500001, (1, 1, 0))])
def test_a_plain_output_goes_off_within_its_answer_time(off_s: float, expected: tuple[int, int, int]) -> None:
    timer = release(HORN, output_of((0, OFF), (2.1, ON), (off_s, OFF)), within_s=0.25)
    assert seen(timer) == expected
    assert timer.longest_s.tolist() == pytest.approx([off_s - 4])


def test_a_fall_between_two_slow_rows_is_given_the_benefit_of_the_interval() -> None:
    assert seen(release(HORN, output_of((0, OFF), (3, ON), (5, OFF), cycle_s=1), within_s=0.25)) == (1, 0, 0)
    assert seen(release(HORN, output_of((0, OFF), (3, ON), (6, OFF), cycle_s=1), within_s=0.25)) == (1, 1, 0)


def test_an_output_still_on_at_the_end_is_overdue_once_the_time_is_well_past() -> None:
    assert seen(release(HORN, output_of((0, OFF), (2.1, ON)), within_s=0.25)) == (0, 0, 1)
    short = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=4.25)
    assert seen(release(short, output_of((0, OFF), (2.1, ON), end_s=4.25), within_s=0.25)) == (0, 0, 0)


def test_an_output_that_was_off_at_the_edge_releases_nothing() -> None:
    assert seen(release(HORN, output_of((0, OFF)), within_s=0.3)) == (0, 0, 0)


@pytest.mark.parametrize(
    ("off_s", "expected"),
    [(13.0, (1, 0, 0)), (12.99, (1, 1, 0)), (15.25, (1, 0, 0)), (15.26, (1, 1, 0)), (14.0, (1, 0, 0))],
)
def test_a_run_on_is_right_up_to_its_tolerance(off_s: float, expected: tuple[int, int, int]) -> None:
    # 10 s after the rule ended at 4 s, a second either way, and the answer time on the late side
    timer = release(HORN, output_of((0, OFF), (2.1, ON), (off_s, OFF)), within_s=0.25, run_on_s=10, tolerance_s=1)
    assert seen(timer) == expected


def test_a_run_on_triggered_again_is_measured_from_the_last_fall() -> None:
    rule = track_of([(0, OFF), (2, ON), (4, OFF), (9, ON), (11, OFF)], end_s=60)
    timer = release(rule, output_of((0, OFF), (2.1, ON), (21, OFF)), within_s=0.3, run_on_s=10, tolerance_s=1)
    assert seen(timer) == (1, 0, 0)
    assert timer.longest_s.tolist() == [10]


def test_a_run_on_that_is_not_restarted_is_wrong() -> None:
    rule = track_of([(0, OFF), (2, ON), (4, OFF), (9, ON), (11, OFF)], end_s=60)
    timer = release(rule, output_of((0, OFF), (2.1, ON), (14, OFF)), within_s=0.3, run_on_s=10, tolerance_s=1)
    assert seen(timer) == (1, 1, 0)


def test_a_run_on_that_the_recording_does_not_see_to_the_end_is_not_completed() -> None:
    rule = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=12)
    timer = release(rule, output_of((0, OFF), (2.1, ON), end_s=12), within_s=0.3, run_on_s=10, tolerance_s=1)
    assert seen(timer) == (0, 0, 0)


def test_a_run_on_that_never_ends_is_overdue() -> None:
    timer = release(HORN, output_of((0, OFF), (2.1, ON)), within_s=0.3, run_on_s=10, tolerance_s=1)
    assert seen(timer) == (0, 0, 1)
    assert timer.overdue.line.tolist() == [21]


def test_an_output_on_from_the_start_while_its_rule_is_off_is_overdue_unless_a_run_on_explains_it() -> None:
    never = track_of([(0, OFF)], end_s=20)
    timer = release(never, output_of((0, ON), end_s=20), within_s=0.3)
    assert seen(timer) == (0, 0, 1)
    assert timer.overdue.line.tolist() == [1001]
    assert seen(release(never, output_of((0, ON), (9, OFF), end_s=20), within_s=0.3, run_on_s=10)) == (0, 0, 0)
    assert seen(release(never, output_of((0, ON), (0.2, OFF), end_s=20), within_s=0.3)) == (0, 0, 0)


def test_an_output_on_from_the_start_hides_no_later_overdue_edge() -> None:
    timer = release(HORN, output_of((0, ON), (1.5, OFF), (2.1, ON)), within_s=0.3)
    assert timer.overdue.line.tolist() == [21, 1001]


def test_an_output_whose_message_stays_away_is_not_overdue() -> None:
    assert seen(release(HORN, output_of((0, OFF), (2.1, ON), (4.1, UNKNOWN)), within_s=0.3)) == (0, 0, 0)


@pytest.mark.parametrize(
    ("off_s", "expected"),
    [(11.0, (1, 0, 0)), (10.99, (1, 1, 0)), (13.25, (1, 0, 0)), (13.26, (1, 1, 0))],
)
def test_a_cut_off_is_right_up_to_its_tolerance(off_s: float, expected: tuple[int, int, int]) -> None:
    # 10 s after the rule came on at 2 s, a second either way, and the answer time on the late side
    output = output_of((0, OFF), (2.1, ON), (off_s, OFF))
    assert seen(cut_off(LONG, output, within_s=0.25, cut_after_s=10, tolerance_s=1)) == expected


def test_a_rule_too_short_for_the_cut_off_shows_none() -> None:
    output = output_of((0, OFF), (2.1, ON), (4.1, OFF))
    assert seen(cut_off(HORN, output, within_s=0.3, cut_after_s=10, tolerance_s=1)) == (0, 0, 0)


def test_an_output_never_cut_off_is_overdue() -> None:
    output = output_of((0, OFF), (2.1, ON), (50.1, OFF))
    timer = cut_off(LONG, output, within_s=0.3, cut_after_s=10, tolerance_s=1)
    assert seen(timer) == (0, 0, 1)
    assert timer.overdue.line.tolist() == [11]


def test_an_output_that_comes_again_after_its_cut_off_was_cut_off_wrongly() -> None:
    output = output_of((0, OFF), (2.1, ON), (12, OFF), (14, ON), (50.1, OFF))
    timer = cut_off(LONG, output, within_s=0.3, cut_after_s=10, tolerance_s=1)
    assert seen(timer) == (1, 1, 0)


def test_an_output_lost_while_its_message_stayed_away_is_dropped() -> None:
    lost = output_of((0, OFF), (2.1, ON), (10, UNKNOWN), (15, OFF))
    assert dropped(LONG, lost, flashing=None, settle_s=0.3).time_s.tolist() == [15]
    kept = output_of((0, OFF), (2.1, ON), (10, UNKNOWN), (15, ON), (50.1, OFF))
    assert len(dropped(LONG, kept, flashing=None, settle_s=0.3)) == 0


def test_an_output_that_flashes_is_not_cut_off_by_its_own_flashing() -> None:
    ignition, horn = [(2.0, 30.0)], [(5.0, 8.0)]
    lamp = [(2.05, 5.05), *((a + 0.05, b + 0.05) for a, b in flashes(horn, 2)), (8.05, 12.05)]
    flood = planned(
        "ignition",
        lamp,
        cut_after_s=10,
        cut_after_tolerance_s=0.5,
        flash_when="horn",
        flash_hz=2,
        flash_tolerance_hz=0.4,
    )
    timer = job({"ignition": ignition, "horn": horn}, {"flood": flood}, end_s=40).output("flood").cut_off
    assert timer is not None
    assert seen(timer) == (1, 0, 0)


def test_a_fall_while_the_rule_holds_is_dropped() -> None:
    found = dropped(LONG, output_of((0, OFF), (2.1, ON), (20, OFF), (21, ON), (50.1, OFF)), flashing=None, settle_s=0.3)
    assert found.line.tolist() == [1021]
    assert found.time_s.tolist() == [20]


@pytest.mark.parametrize(("fall_s", "count"), [(2.25, 0), (2.2500001, 1), (50.0, 0)])
def test_a_fall_right_after_the_rule_came_on_may_belong_to_the_time_before(fall_s: float, count: int) -> None:
    found = dropped(LONG, output_of((0, ON), (fall_s, OFF)), flashing=None, settle_s=0.25)
    assert len(found) == count


def test_a_fall_while_flashing_is_not_dropped() -> None:
    output = output_of((0, OFF), (2.1, ON), (20, OFF), (20.2, ON), (50.1, OFF))
    flashing = track_of([(0, OFF), (19, ON), (25, OFF)], end_s=60)
    assert len(dropped(LONG, output, flashing=flashing, settle_s=0.3)) == 0


def test_a_fall_while_the_rule_is_unknown_is_not_dropped() -> None:
    rule = track_of([(0, OFF), (2, ON), (10, UNKNOWN), (30, ON)], end_s=60)
    assert len(dropped(rule, output_of((0, OFF), (2.1, ON), (20, OFF)), flashing=None, settle_s=0.3)) == 0
    assert len(dropped(rule, output_of((0, OFF), (2.1, ON), (30.1, OFF)), flashing=None, settle_s=0.3)) == 0


def test_falls_are_dropped_in_a_whole_job_only_where_no_cut_off_is_planned() -> None:
    ignition = [(2.0, 30.0)]
    fan = [(2.05, 12.05)]
    plain = job({"ignition": ignition}, {"fan": planned("ignition", fan)}, end_s=40).output("fan")
    timed = planned("ignition", wave(fan), cut_after_s=10, cut_after_tolerance_s=0.5)
    assert len(plain.dropped) == 1
    assert len(job({"ignition": ignition}, {"fan": timed}, end_s=40).output("fan").dropped) == 0


def test_a_fall_that_belongs_to_the_time_before_is_no_cut_off() -> None:
    # the rule went off for a moment; the output follows a tenth of a second later, when the rule is on again
    rule = track_of([(0, ON), (5, OFF), (5.05, ON)], end_s=60)
    output = output_of((0, ON), (5.1, OFF), (5.15, ON), (15.1, OFF))
    assert seen(cut_off(rule, output, within_s=0.3, cut_after_s=10, tolerance_s=1)) == (1, 0, 0)


def test_a_fall_that_belongs_to_the_run_on_before_is_no_run_on_of_its_own() -> None:
    # a tap of the horn just as the run-on of the time before ends
    rule = track_of([(0, OFF), (2, ON), (4, OFF), (14.05, ON), (14.1, OFF)], end_s=60)
    output = output_of((0, OFF), (2.1, ON), (14.1, OFF), (14.15, ON), (24.2, OFF))
    timer = release(rule, output, within_s=0.3, run_on_s=10, tolerance_s=1)
    assert seen(timer)[1:] == (0, 0)


@pytest.mark.parametrize("edge_s", [0.1, 0.7, 2.3, 5.6, 8.9])
def test_rounding_decides_nothing_exactly_at_the_limit(edge_s: float) -> None:
    rule = track_of([(0, OFF), (edge_s, ON), (edge_s + 10.0, OFF)], end_s=60)
    output = output_of((0, OFF), (edge_s + 0.1, ON), (round(edge_s + 10.3, 6), OFF))
    assert seen(release(rule, output, within_s=0.3)) == (1, 0, 0)
