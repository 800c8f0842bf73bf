"""Tracks: rows of a signal become states over time, and only what was seen becomes a step."""

from __future__ import annotations

import numpy as np
import pytest

from canlens.database import Message, SignalDefinition
from canlens.measures.outputs.tracks import rule_track, states_of, track, typical_interval
from canlens.plan import Condition, SignalReference, parse_rule
from canlens.plan.rule import OFF, ON, UNKNOWN
from canlens.signals import Signal
from tests.unit.small_jobs import job, operated, planned, presses, track_of, wave

DEFINITION = SignalDefinition("On", 0, 8)
FLOAT = SignalDefinition("On", 0, 32, is_float=True)
REFERENCE = SignalReference("Horn.On", Message("Horn", 0x100, is_extended=False, length=1), DEFINITION)


def signal_of(values: list[float], raw: list[int] | None = None) -> Signal:
    rows = np.arange(len(values))
    numbers = np.array(values, np.float64)
    codes = np.array(raw, np.int64) if raw is not None else np.nan_to_num(numbers).astype(np.int64)
    time_s = np.array(rows * 0.1, np.float64)
    return Signal(
        "Horn.On",
        DEFINITION if raw is None and not np.isnan(numbers).any() else FLOAT,
        rows,
        time_s,
        rows + 1,
        codes,
        numbers,
    )


def beat(count: int, cycle_s: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.round(np.arange(count) * cycle_s, 9)


@pytest.mark.parametrize(
    ("condition", "expected"),
    [
        (Condition(REFERENCE), [OFF, ON, ON, ON]),
        (Condition(REFERENCE, on_values=(2.0,)), [OFF, OFF, ON, OFF]),
        (Condition(REFERENCE, on_raw=(1, 3)), [OFF, ON, OFF, ON]),
        (Condition(REFERENCE, on_values=(2.0,), on_raw=(3,)), [OFF, OFF, ON, ON]),
        (Condition(REFERENCE, above=2), [OFF, OFF, OFF, ON]),
        (Condition(REFERENCE, below=2), [ON, ON, OFF, OFF]),
        (Condition(REFERENCE, unknown=(2, 3)), [OFF, ON, UNKNOWN, UNKNOWN]),
        (Condition(REFERENCE, below=3, unknown=(0,)), [UNKNOWN, ON, ON, OFF]),
    ],
)
def test_a_row_is_on_off_or_unknown_as_the_condition_says(condition: Condition, expected: list[int]) -> None:
    assert states_of(signal_of([0, 1, 2, 3]), condition).tolist() == expected


def test_a_value_that_is_no_number_is_unknown() -> None:
    assert states_of(signal_of([np.nan, 1.0]), Condition(REFERENCE)).tolist() == [UNKNOWN, ON]


def test_too_few_rows_have_no_interval_and_no_rhythm() -> None:
    assert typical_interval(np.zeros(0)) == (0.0, False)
    assert typical_interval(np.array([3.0])) == (0.0, False)


@pytest.mark.parametrize(("count", "regular"), [(19, False), (20, True)])
def test_a_rhythm_needs_twenty_rows(count: int, regular: bool) -> None:  # noqa: FBT001
    interval_s, found = typical_interval(beat(count, 0.1))
    assert interval_s == pytest.approx(0.1)
    assert found == regular


def test_rows_at_odd_times_have_no_rhythm() -> None:
    time_s = np.cumsum([0.1, 5.0, 0.1, 9.0] * 10)
    assert typical_interval(time_s)[1] is False


def test_no_rows_make_a_track_of_which_nothing_is_known() -> None:
    empty = track(np.zeros(0), np.zeros(0, np.int8), np.zeros(0, np.int64), end_s=5)
    assert len(empty.state) == 0
    assert empty.at(np.array([0.0, 4.0])).tolist() == [UNKNOWN, UNKNOWN]
    assert len(empty.rises) == len(empty.falls) == 0


def test_the_first_row_is_no_edge() -> None:
    states = np.array([ON, ON, OFF, ON], np.int8)
    made = track(np.array([0.0, 1, 2, 3]), states, np.array([4, 5, 6, 7]), end_s=4)
    assert made.time_s[made.rises].tolist() == [3.0]
    assert made.line[made.rises].tolist() == [7]
    assert made.time_s[made.falls].tolist() == [2.0]
    assert made.before_s.tolist() == [-np.inf, 1.0, 2.0]


def test_nothing_is_known_before_the_first_row() -> None:
    made = track_of([(2, ON)], end_s=5)
    assert made.at(np.array([1.9, 2.0])).tolist() == [UNKNOWN, ON]
    assert made.at(np.array([2.0]), side="left").tolist() == [UNKNOWN]


def test_a_state_held_at_any_time_of_a_span_is_found() -> None:
    made = track_of([(0, OFF), (2, ON), (3, OFF)], end_s=5)
    starts, stops = np.array([0.0, 0.0, 2.5, 3.0, -1.0]), np.array([1.9, 2.0, 2.6, 4.0, -0.5])
    assert made.ever(ON, starts, stops).tolist() == [False, True, True, False, False]
    assert made.ever(UNKNOWN, starts, stops).tolist() == [False, False, False, False, True]


@pytest.mark.parametrize(("silent_rows", "bridged"), [(2, True), (3, False)])
def test_a_short_stretch_of_rows_that_say_nothing_is_bridged(silent_rows: int, bridged: bool) -> None:  # noqa: FBT001
    # the stretch lasts from its first row to the next row that says something: three intervals are the limit
    states = np.ones(40, np.int8)
    states[10 : 10 + silent_rows + 1] = UNKNOWN
    made = track(beat(40, 0.5), states, np.arange(40), end_s=20)
    assert (UNKNOWN not in made.state) == bridged


def test_a_step_across_bridged_rows_is_an_edge_at_the_first_row_that_shows_it() -> None:
    states = np.array([OFF] * 10 + [UNKNOWN] * 2 + [ON] * 10, np.int8)
    made = track(beat(22, 0.1), states, np.arange(22) + 1, end_s=2.1)
    assert made.time_s[made.rises].tolist() == [1.2]
    assert made.line[made.rises].tolist() == [13]
    assert made.before_s[made.rises].tolist() == [0.9]


def test_a_step_out_of_a_long_unknown_is_no_edge() -> None:
    states = np.array([OFF] * 10 + [UNKNOWN] * 10 + [ON] * 10, np.int8)
    made = track(beat(30, 0.1), states, np.arange(30) + 1, end_s=2.9)
    assert made.state.tolist() == [OFF, UNKNOWN, ON]
    assert len(made.rises) == 0


def test_rows_that_say_nothing_up_to_the_end_are_not_bridged() -> None:
    states = np.array([ON] * 28 + [UNKNOWN] * 2, np.int8)
    made = track(beat(30, 0.1), states, np.arange(30), end_s=2.9)
    assert made.state.tolist() == [ON, UNKNOWN]


def test_a_cyclic_message_that_stays_away_leaves_the_state_unknown() -> None:
    time_s = np.concatenate([beat(30, 0.1), 10 + beat(30, 0.1)])
    states = np.array([OFF] * 30 + [ON] * 30, np.int8)
    made = track(time_s, states, np.arange(60), end_s=12.9)
    assert made.state.tolist() == [OFF, UNKNOWN, ON]
    assert made.time_s.tolist() == [0.0, pytest.approx(2.9 + 1.0), 10.0]
    assert len(made.rises) == 0


def test_a_cyclic_message_that_ends_early_leaves_the_rest_of_the_recording_unknown() -> None:
    made = track(beat(30, 0.1), np.ones(30, np.int8), np.arange(30), end_s=60)
    assert made.state.tolist() == [ON, UNKNOWN]
    assert made.at(np.array([3.5, 50.0])).tolist() == [ON, UNKNOWN]


def test_a_message_sent_on_changes_only_may_be_silent_for_as_long_as_it_likes() -> None:
    made = track(np.array([0.0, 5, 6]), np.array([OFF, ON, OFF], np.int8), np.arange(3), end_s=500)
    assert made.state.tolist() == [OFF, ON, OFF]
    assert made.at(np.array([499.0])).tolist() == [OFF]


def test_changes_on_the_beat_may_be_one_interval_old() -> None:
    states = np.array(([OFF] * 10 + [ON] * 10) * 2, np.int8)
    assert track(beat(40, 0.2), states, np.arange(40), end_s=8).slack_s == pytest.approx(0.2)


def test_changes_between_the_beats_were_sent_at_once() -> None:
    one = job({"horn": wave([(2.03, 3.01), (5.03, 6.02)], at_once=True)}, {"siren": planned("horn")}, end_s=9)
    assert one.evidence.controls["horn"].track.slack_s == 0


def test_stamps_that_step_backwards_are_held() -> None:
    made = track(np.array([0.0, 2.0, 1.0, 3.0]), np.array([0, 1, 0, 1], np.int8), np.arange(4), end_s=3)
    assert made.time_s.tolist() == [0.0, 2.0, 2.0, 3.0]
    assert (np.diff(made.time_s) >= 0).all()


def test_a_rule_takes_line_and_time_from_the_control_that_made_the_step() -> None:
    horn = track_of([(0, OFF), (4, ON), (8, OFF)], end_s=10, first_line=1)
    brake = track_of([(0, OFF), (2, ON), (6, OFF)], end_s=9, first_line=2)
    both = rule_track(parse_rule("horn and brake", ("horn", "brake")), {"horn": horn, "brake": brake})
    assert both.time_s[both.rises].tolist() == [4.0]
    assert both.line[both.rises].tolist() == [11]
    assert both.line[both.falls].tolist() == [22]
    assert both.end_s == 9


def test_a_rule_over_a_control_never_seen_is_known_where_the_others_decide() -> None:
    horn = track_of([(0, OFF), (4, ON), (8, OFF)], end_s=10)
    tracks = {"horn": horn, "brake": type(horn).empty(10)}
    names = ("horn", "brake")
    either = rule_track(parse_rule("horn or brake", names), tracks)
    both = rule_track(parse_rule("horn and brake", names), tracks)
    assert either.at(np.array([1.0, 5.0])).tolist() == [UNKNOWN, ON]
    assert both.at(np.array([1.0, 5.0])).tolist() == [OFF, UNKNOWN]


def test_two_controls_that_change_at_one_stamp_make_one_step() -> None:
    horn = track_of([(0, OFF), (4, ON)], end_s=10)
    brake = track_of([(0, ON), (4, OFF)], end_s=10)
    both = rule_track(parse_rule("horn or brake", ("horn", "brake")), {"horn": horn, "brake": brake})
    assert both.state.tolist() == [ON]


def test_raw_values_that_say_nothing_do_not_make_a_control_seem_operated() -> None:
    horn = operated(wave([(2, 3), (6, 9)], on=3), unknown=(2, 3))
    one = job({"horn": horn}, {"siren": planned("horn")}, end_s=12)
    assert len(one.evidence.controls["horn"].exercises) == 0


@pytest.mark.parametrize("release_s", [0.1, 0.4, 0.85])
def test_a_message_sent_on_changes_only_hides_nothing_between_its_rows(release_s: float) -> None:
    # pressed for a second every two seconds: rows come in a rhythm of their own, but each of them is a change
    horn = presses(9, every_s=2.0)
    state = wave([(start + 0.05, stop + release_s) for start, stop in horn], cycle_s=None)
    own = job({"horn": horn}, {"siren": planned("horn", state)}, end_s=30).output("siren")
    assert own.track is not None
    assert own.track.slack_s == 0
    assert own.release is not None
    assert bool(len(own.release.wrong)) == (release_s > 0.3)


def test_a_few_slow_rows_that_all_differ_are_still_on_the_beat() -> None:
    states = np.array([OFF, ON, OFF, ON, OFF], np.int8)
    assert track(np.arange(5.0), states, np.arange(5), end_s=4).slack_s == 1


@pytest.mark.parametrize(("may_be_cyclic", "slack_s"), [(True, 1.0), (False, 0.0)])
def test_presses_as_even_as_a_clock_are_no_cycle_where_none_is_declared(
    may_be_cyclic: bool,  # noqa: FBT001
    slack_s: float,
) -> None:
    states = (np.arange(23) % 2).astype(np.int8)
    found = track(beat(23, 1.0), states, np.arange(23), end_s=25.0, may_be_cyclic=may_be_cyclic)
    assert found.slack_s == pytest.approx(slack_s)


@pytest.mark.parametrize(("may_be_cyclic", "last"), [(True, UNKNOWN), (False, OFF)])
def test_after_presses_as_even_as_a_clock_the_state_holds_where_no_cycle_is_declared(
    may_be_cyclic: bool,  # noqa: FBT001
    last: int,
) -> None:
    states = (np.arange(23) % 2).astype(np.int8)
    found = track(beat(23, 1.0), states, np.arange(23), end_s=60.0, may_be_cyclic=may_be_cyclic)
    assert found.state[-1] == last
