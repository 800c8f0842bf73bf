from __future__ import annotations

import numpy as np
import pytest

from canlens.measures.discovering.chances import coverage, shift_chance
from canlens.measures.discovering.leads import own_work
from canlens.measures.discovering.marks import clock_of
from canlens.measures.discovering.places import (
    Limits,
    Pulses,
    TriedPlace,
    TriedPlaces,
    bit_pulses,
    bits_of,
    changes_of,
    field_pulses,
)
from canlens.measures.discovering.slots import JITTER_S, REACTION_S, matched, slots_of
from canlens.plan import Mark
from tests.unit.small_sessions import Sent, cyclic, recorded

LIMITS = Limits(least_s=0.2, most_s=10.0, busiest=1000, most_pulses=100, start_s=0.0)


def _one(rise_s: list[float], fall_s: list[float], *, slack_s: float = 0.0) -> TriedPlaces:
    none = np.zeros(len(rise_s), np.int64)
    return TriedPlaces(
        (TriedPlace(0, 0, 1, 1),), Pulses(none, np.array(rise_s), np.array(fall_s), none), np.array([slack_s]), 1
    )


def _marks(*rows: tuple[float, str, float | None]) -> list[Mark]:
    return [Mark(*row) for row in rows]


def test_an_exercise_is_met_by_a_pulse_that_begins_and_ends_near_it() -> None:
    slots = slots_of(_marks((10.0, "horn", 12.0), (20.0, "horn", 22.0), (30.0, "rest", None)), offset_s=0.0)
    for rise_s, fall_s, met in (
        (10.1, 12.1, True),
        (10.0 - JITTER_S, 12.0 - JITTER_S, True),
        (10.0 - JITTER_S - 0.01, 12.0, False),
        (10.0 + JITTER_S + REACTION_S, 12.5, True),
        (10.0 + JITTER_S + REACTION_S + 0.01, 12.9, False),
        (10.1, 12.0 + JITTER_S + REACTION_S + 0.01, False),
    ):
        assert matched(_one([rise_s], [fall_s]), slots)[0].tolist() == [met, False, False]


def test_the_wait_for_a_beat_is_allowed_for() -> None:
    slots = slots_of(_marks((10.0, "horn", 12.0), (20.0, "horn", 22.0)), offset_s=0.0)
    late = 10.0 + JITTER_S + REACTION_S + 0.9
    assert not matched(_one([late], [late + 2], slack_s=0.0), slots).any()
    assert matched(_one([late], [late + 2], slack_s=1.0), slots)[0].tolist() == [True, False]


def test_anything_like_an_operation_counts_against_a_place_in_a_rest_slot() -> None:
    slots = slots_of(_marks((10.0, "horn", 12.0), (20.0, "rest", 30.0), (30.0, "horn", 32.0)), offset_s=0.0)
    for rise_s, held_s, met in ((21.0, 2.0, True), (26.5, 1.0, True), (21.0, 0.01, False), (21.0, 20.0, False)):
        assert matched(_one([rise_s], [rise_s + held_s]), slots)[0].tolist() == [False, met, False]


def test_a_pulse_that_an_exercise_explains_is_no_stray_of_the_slot_beside_it() -> None:
    slots = slots_of(_marks((10.0, "horn", 12.0), (14.0, "rest", None), (20.0, "horn", 22.0)), offset_s=0.0)
    assert matched(_one([12.7], [14.5], slack_s=1.0), slots)[0].tolist() == [True, False, False]


def test_marks_of_quick_slots_are_trusted_more() -> None:
    quick = slots_of([Mark(2.5 * number, "horn", 2.5 * number + 0.5) for number in range(10)], offset_s=0.0)
    assert quick.jitter_s == pytest.approx((2.5 - REACTION_S) / 2)
    assert slots_of(_marks((0.0, "horn", 1.0), (60.0, "horn", 61.0)), offset_s=0.0).jitter_s == JITTER_S


def test_a_mark_that_encloses_others_is_a_state_and_no_slot_of_them() -> None:
    slots = slots_of(
        _marks(
            (0.0, "ignition", 50.0),
            (10.0, "horn", 12.0),
            (20.0, "rest", None),
            (60.0, "horn", 62.0),
            (70.0, "rest", None),
        ),
        offset_s=0.0,
    )
    assert slots.strata("horn").tolist()[1:3] != slots.strata("horn").tolist()[3:5]
    assert slots.compared("horn").tolist() == [False, False, True, False, True]
    assert slots.compared("ignition").tolist() == [False, True, True, True, True]
    assert len(set(slots.strata("ignition").tolist())) == 1


def test_an_exercise_of_another_control_at_the_same_time_is_not_compared() -> None:
    slots = slots_of(_marks((10.0, "horn", 12.0), (10.5, "brake", 12.5), (30.0, "brake", 32.0)), offset_s=0.0)
    assert slots.compared("horn").tolist() == [False, False, True]


def test_bits_give_pulses_of_both_polarities_and_the_first_row_is_no_change() -> None:
    levels = [1, 1, 0, 0, 1, 1, 0]
    sent = Sent(0x10, [float(each) for each in range(7)], [bytes([level]) for level in levels])
    trace = recorded(sent)
    (changes,) = changes_of(trace, trace.streams, segment=0)
    places, pulses = bit_pulses(changes, LIMITS)
    told = [(places[place].on, rise, fall) for place, rise, fall in zip(*_columns(pulses), strict=True)]
    assert sorted(told) == [(0, 2.0, 4.0), (1, 4.0, 6.0)]


def test_a_message_that_first_comes_late_begins_with_a_change() -> None:
    trace = recorded(Sent(0x1, [0.0], [b""]), Sent(0x10, [5.0, 7.0, 9.0], [b"\x01", b"\x00", b"\x01"]))
    found = {each.stream: each for each in changes_of(trace, trace.streams, segment=0)}
    places, pulses = bit_pulses(found[1], LIMITS)
    assert [(places[place].on, rise) for place, rise, _ in zip(*_columns(pulses), strict=True)] == [(1, 5.0), (0, 7.0)]


def _columns(pulses: Pulses) -> tuple[list[int], list[float], list[float]]:
    return pulses.place.tolist(), pulses.rise_s.tolist(), pulses.fall_s.tolist()


def test_fields_are_tried_only_where_they_tell_more_than_their_bits() -> None:
    two = recorded(Sent(0x10, [0.0, 1.0, 2.0, 3.0], [b"\x00", b"\x03", b"\x00", b"\x03"]))
    three = recorded(Sent(0x10, [0.0, 1.0, 2.0, 3.0, 4.0], [b"\x00", b"\x01", b"\x02", b"\x01", b"\x00"]))
    for trace, expected in ((two, set()), (three, {(0, 2, 1), (0, 2, 2)})):
        (changes,) = changes_of(trace, trace.streams, segment=0)
        places = {place[1:4] for found, _ in field_pulses(changes, LIMITS) for place in found}
        assert {place for place in places if place[:2] == (0, 2)} == expected


def test_bytes_that_shorter_frames_lack_keep_their_value() -> None:
    trace = recorded(Sent(0x10, [0.0, 1.0, 2.0, 3.0], [b"\x00\x05", b"\x01", b"\x02\x05", b"\x03\x06"]))
    (changes,) = changes_of(trace, trace.streams, segment=0)
    assert changes.payload[:, 1].tolist() == [5, 5, 5, 6]
    assert changes.flips[8:].tolist() == [1, 1, 0, 0, 0, 0, 0, 0]


def test_counters_of_bytes_and_of_parts_of_a_byte_are_told_and_numbers_are_not() -> None:
    random = np.random.default_rng(1)
    walk = np.cumsum(random.integers(-3, 4, 400)) & 0xFF
    trace = recorded(
        cyclic(0x10, end_s=40.0, beside=lambda number: bytes([number & 0xFF, (number % 4) << 2, int(walk[number])]))
    )
    (changes,) = changes_of(trace, trace.streams, segment=0)
    found = own_work(changes)
    assert [(span.start_bit, span.length) for span in found.counters] == [(0, 8), (10, 2)]
    assert found.checksums == found.clocks == found.toggles == ()


def test_bits_of_a_place_follow_its_byte_order() -> None:
    assert bits_of(TriedPlace(0, 4, 2, 1)) == 0b110000
    assert bits_of(TriedPlace(0, 16, 16, 1)) == 0xFFFF0000
    assert bits_of(TriedPlace(0, 16, 16, 1, is_motorola=True)) == 0xFFFF00


def test_lags_that_scatter_little_tell_the_offset_and_those_by_hand_its_middle() -> None:
    precise = clock_of([(np.array([0.1, 0.12, 0.15, 0.11]), 0.0)])
    assert (precise.lag_s, precise.scatter_s is not None) == (0.0, True)
    moved = clock_of([(np.array([5.1, 5.12, 5.15, 5.11]), 0.0)])
    assert moved.lag_s == pytest.approx(5.1, abs=0.02)
    by_hand = clock_of([(np.array([-1.5, 2.0, 0.3, -0.4, 1.1, 0.9]), 0.0)])
    assert by_hand.lag_s == pytest.approx(0.6)
    assert by_hand.uncertainty_s is not None
    assert by_hand.uncertainty_s > 0.5
    assert clock_of([]).scatter_s is None


def test_coverage_is_the_share_of_times_at_which_a_pulse_would_answer() -> None:
    """Ten pulses of 2 s in 100 s, and windows of 5 s: half of all times, counted by trying 2000 of them."""
    slots = slots_of(_marks((30.0, "horn", 32.0), (60.0, "horn", 62.0)), offset_s=0.0)
    tried = _one([float(at) for at in range(5, 105, 10)], [at + 2.0 for at in range(5, 105, 10)])
    told = coverage(tried, slots, slots.of("horn"), duration_s=100.0)[0]
    tries = np.linspace(-30, 70, 2001)[:-1]
    hits = [matched(tried, slots, shift_s=float(each))[0, 0] for each in tries]
    assert told == pytest.approx(np.mean(hits), abs=0.01)
    assert told == pytest.approx(0.5, abs=0.01)


def test_the_share_of_shifts_that_do_as_well_is_at_least_the_width_of_a_window() -> None:
    slots = slots_of(_marks((30.0, "horn", 32.0), (57.0, "horn", 59.0), (91.0, "horn", 93.0)), offset_s=0.0)
    tried = _one([30.1, 57.1, 91.1], [32.1, 59.1, 93.1])
    share = shift_chance(tried, slots, slots.of("horn"), np.array([3]), span_s=(0.0, 200.0))[0]
    assert share == pytest.approx((2 * JITTER_S + REACTION_S) / 200.0, abs=0.01)
