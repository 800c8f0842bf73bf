"""Discovery: what marks may be like, and what they allow to be said."""

from __future__ import annotations

import numpy as np
import pytest

from canlens import discover
from canlens.errors import UsageError
from canlens.plan import Mark, Marks
from tests.unit.found_horns import END_S, HORN, NOISE, SLOTS, best_place, horn_row, place_of
from tests.unit.small_sessions import DRAWN, Follows, Slots, cyclic, noise, recorded


def test_draws_are_compared_within_one_state_of_the_vehicle() -> None:
    """Exercises are many with the ignition on and few without: a bit of the ignition gains nothing from that."""
    slots = Slots("HHH.HHH.HHH.HH.........H..........")
    awake = (3.0 - 1.0, 3.0 + 14 * 6.0 - 0.5)
    marks = [Mark(awake[0], "ignition", awake[1]), *slots.marks()]
    noisy = cyclic(0x123, Follows([awake], 1, 0), end_s=slots.end_s)
    horn = cyclic(0x124, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s)
    result = discover(recorded(*NOISE, noisy, horn), marks).result
    assert place_of(result.controls["horn"].candidates[0]) == ("0x124", 20, 1, 1)
    single = result.controls["horn"].candidates[0].single_chance
    assert single == pytest.approx(1 / (364 * 20), rel=0.01)  # 14 over 11 times 20 over 1


def test_nothing_found_is_an_answer_with_what_would_settle_it() -> None:
    row = horn_row(recorded(*NOISE))
    assert not row.named
    assert "beyond chance" in row.reason or "None of the" in row.reason
    assert row.more_exercises is not None
    assert 6 <= row.more_exercises <= 8  # 18 over 6 is 18564, 24 over 8 is 735471, for some 35 000
    assert str(row.more_exercises) in row.next_step


def test_too_few_exercises_say_how_many_more_would_do() -> None:
    slots = Slots("..H.H....H..")
    row = discover(
        recorded(*noise(2, end_s=slots.end_s), cyclic(0x123, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s)),
        slots.marks(),
    ).result.controls["horn"]
    assert not row.named
    assert place_of(row.candidates[0]) == ("0x123", 20, 1, 1)
    assert row.more_exercises is not None
    assert row.next_step.startswith(("One more", f"{row.more_exercises} more"))


def test_without_rest_slots_the_answer_is_labelled_weaker_with_both_figures() -> None:
    marks = [mark for mark in SLOTS.marks() if mark.label != "rest"]
    row = discover(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), marks).result.controls["horn"]
    assert row.strength == "weaker"
    assert row.named
    best = row.candidates[0]
    assert place_of(best) == ("0x123", 20, 1, 1)
    assert best.shift_chance is not None
    assert 0 < best.shift_chance < 0.05


def test_a_rhythm_shared_with_the_bus_is_not_named_without_rest_slots() -> None:
    """Operated every 6 s, while a lamp on the bus blinks every 6 s all the time: the shifts tell."""
    slots = Slots("H" * 10)
    blinking = [(at, at + 2.0) for at in np.arange(1.0, 150.0, 6.0)]
    trace = recorded(*NOISE, cyclic(0x123, Follows(blinking, 2, 4), end_s=150.0))
    marks = [mark for mark in slots.marks() if mark.label != "rest"]
    row = discover(trace, marks).result.controls["horn"]
    assert not row.named


@pytest.mark.parametrize("moved_s", [-4.0, 3.0, 5.5])
def test_a_constant_offset_of_the_marks_is_estimated_with_its_uncertainty(moved_s: float) -> None:
    slots = Slots(DRAWN[::-1])
    trace = recorded(*NOISE, cyclic(0x123, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s))
    result = discover(trace, slots.marks(moved_s=moved_s, jitter_s=0.2)).result
    assert result.controls["horn"].named
    assert result.marks.offset_source == "estimated"
    assert result.marks.offset_uncertainty_s is not None
    assert result.marks.offset_s == pytest.approx(-moved_s, abs=0.4)
    assert result.marks.offset_uncertainty_s < 0.5


def test_marks_may_be_the_logs_own_stamps_or_count_from_its_first_frame() -> None:
    trace = recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))
    marks = SLOTS.marks()
    start_s = trace.start_ns / 1e9
    stamps = [Mark(m.time_s + start_s, m.label, m.until_s + start_s if m.until_s is not None else None) for m in marks]
    for each, counted in ((marks, "first-frame"), (Marks(marks=tuple(stamps)), "stamps")):
        result = discover(trace, each).result
        assert result.verdict == "named"
        assert result.marks.offset_s == 0
        assert result.marks.counted_from == counted


def test_marks_by_hand_are_met_two_seconds_off() -> None:
    slots = Slots(DRAWN, slot_s=8.0)
    trace = recorded(*NOISE, cyclic(0x123, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s, every_s=1.0))
    result = discover(trace, slots.marks(jitter_s=2.0)).result
    assert result.controls["horn"].named
    assert result.marks.scatter_s is not None
    assert result.marks.scatter_s > 0.3


def test_marks_without_an_end_will_do() -> None:
    assert place_of(
        best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), SLOTS.marks(until=False))
    ) == ("0x123", 20, 1, 1)


def test_marks_without_an_exercise_are_refused() -> None:
    trace = recorded(*NOISE)
    for marks, found in (([], "no marks"), ([Mark(1.0, "rest")], "only rest slots")):
        with pytest.raises(UsageError, match=found):
            discover(trace, marks)


@pytest.mark.parametrize("marks", [[Mark(1e9, "horn", 1e9 + 1)], [Mark(0.0, "horn")], [Mark(5.0, "horn", 5.0)] * 3])
def test_odd_marks_give_an_answer(marks: list[Mark]) -> None:
    result = discover(recorded(*NOISE[:2], cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), marks).result
    assert result.verdict == "not-named"


def test_a_control_whose_marks_lie_outside_is_told_as_not_named() -> None:
    trace = recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))
    result = discover(trace, [*SLOTS.marks(), Mark(END_S + 500.0, "lamp", END_S + 501.0)]).result
    assert result.controls["horn"].named
    assert "outside" in result.controls["lamp"].reason
    assert result.verdict == "not-named"
    assert result.marks.outside == 1


def test_marks_that_an_offset_moves_out_of_the_recording_are_used_all_the_same() -> None:
    slots = Slots(DRAWN[::-1])
    trace = recorded(*NOISE, cyclic(0x123, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s))
    result = discover(trace, slots.marks(moved_s=16.0)).result
    assert result.controls["horn"].named
    assert result.controls["horn"].candidates[0].answered == 8
    assert result.marks.outside == 0
