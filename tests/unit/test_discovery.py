from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import discover
from canlens.database import Database, Message, SignalDefinition
from canlens.discovery import Discovery
from canlens.errors import UsageError
from canlens.plan import Mark, Marks
from canlens.trace import Trace
from tests.unit.small_sessions import DRAWN, LEAD_S, Follows, Sent, Slots, cyclic, noise, on_change, recorded

if TYPE_CHECKING:
    from canlens.discovery_results import Candidate, ControlDiscovery

SLOTS = Slots()
END_S = SLOTS.end_s
HORN = SLOTS.spans("H")
NOISE = noise(1, end_s=END_S)


def _horn(trace: Trace, marks: Marks | None = None, database: Database | None = None) -> ControlDiscovery:
    return discover(trace, marks or SLOTS.marks(), database).result.controls["horn"]


def _best(trace: Trace, marks: Marks | None = None, database: Database | None = None) -> Candidate:
    row = _horn(trace, marks, database)
    assert row.named, row.reason
    return row.candidates[0]


def _place(each: Candidate) -> tuple[str, int, int, int | None]:
    return each.identifier, each.start_bit, each.length, each.on


def test_a_bit_that_follows_its_control_is_named_with_its_chance_and_latency() -> None:
    best = _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)))
    assert _place(best) == ("0x123", 20, 1, 1)
    assert (best.answered, best.stray) == (8, 0)
    assert best.single_chance == pytest.approx(1 / 735471)  # 24 over 8
    assert best.single_chance < best.chance < 0.001
    assert best.latency_s == pytest.approx(0.1, abs=0.1)
    assert best.cycle_time_s == pytest.approx(0.1, rel=1e-3)
    assert best.payload_length == 8
    assert best.kind == "bit"


def test_the_ticks_are_the_slots_in_which_it_went_on_and_off() -> None:
    row = _horn(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4, missed=[3]), end_s=END_S)))
    operated = [slot.kind == "exercise" for slot in row.slots]
    assert "".join("H" if each else "." for each in operated) == DRAWN
    expected = [each and sum(operated[:number]) != 3 for number, each in enumerate(operated)]
    assert list(row.candidates[0].ticks) == expected
    assert row.candidates[0].answered == 7
    assert row.named


def test_the_lines_of_a_candidate_are_the_frames_in_which_it_went_on() -> None:
    trace = recorded(cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))
    best = _best(trace)
    rows = np.array(best.lines) - 1
    assert (trace.payload.first8[rows, 2] == 16).all()
    assert (trace.payload.first8[rows - 1, 2] == 0).all()
    assert len(rows) == 8


def test_a_bit_of_inverted_polarity_is_on_at_0() -> None:
    best = _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 0, 7, on=0, off=1), end_s=END_S)))
    assert _place(best) == ("0x123", 7, 1, 0)
    assert best.off == 1


def test_a_field_of_two_bits_is_found_by_the_bit_that_moves() -> None:
    best = _best(recorded(*NOISE, cyclic(0x18FEF100, Follows(HORN, 3, 2), end_s=END_S, is_extended=True)))
    assert _place(best) == ("0x18fef100", 26, 1, 1)
    assert best.is_extended


def test_one_value_of_a_selector_is_found_as_a_field() -> None:
    slots = Slots("..H.BHB..H.BH..BH.BH.HB.")
    turns = [Follows(slots.spans("H"), 2, 4, on=1), Follows(slots.spans("B"), 2, 4, on=3)]
    result = discover(recorded(*NOISE, cyclic(0x123, *turns, end_s=slots.end_s)), slots.marks()).result
    horn, brake = result.controls["horn"], result.controls["brake"]
    assert horn.named
    assert (horn.candidates[0].kind, horn.candidates[0].on, horn.candidates[0].off) == ("field", 1, 0)
    assert brake.named
    assert _place(brake.candidates[0]) == ("0x123", 21, 1, 1)


def test_a_bit_leads_even_where_a_foreign_bit_beside_it_makes_a_field_that_does_better_by_luck() -> None:
    """A touch that nobody made, while the bit beside it happens to be another."""
    touched = [*HORN, (LEAD_S + 1.0, LEAD_S + 3.0)]
    beside = Follows([(LEAD_S + 5.0, END_S)], 2, 5)
    best = _best(recorded(*NOISE, cyclic(0x123, Follows(touched, 2, 4), beside, end_s=END_S)))
    assert _place(best) == ("0x123", 20, 1, 1)
    assert (best.answered, best.stray) == (8, 1)


def test_a_number_that_moves_with_the_control_is_told_as_a_level() -> None:
    row = _horn(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, on=180, off=20, ramp_s=0.6), end_s=END_S)))
    assert row.named
    assert row.levels
    level = row.levels[0]
    assert (level.identifier, level.start_bit, level.length, level.on) == ("0x123", 16, 8, None)
    assert level.above is not None
    assert 60 < level.above < 140


def test_a_number_across_two_bytes_is_told_by_the_upper_one_or_whole() -> None:
    def high_first(number: int) -> bytes:
        value = int(1000 + 3000 * Follows(HORN, 0, on=100, off=0, ramp_s=0.8).value(0.013 + 0.1 * number) / 100)
        return bytes([0, value >> 8, (value & 0xFF) ^ (number % 3), 0])

    row = _horn(recorded(*NOISE, cyclic(0x123, end_s=END_S, beside=high_first)))
    assert row.named
    level = row.levels[0]
    assert (level.identifier, level.kind) == ("0x123", "level")
    assert (level.start_bit, level.length, level.byte_order) in {(8, 8, "intel"), (16, 16, "motorola")}


def test_a_message_that_is_sent_on_a_change_alone_is_found() -> None:
    best = _best(recorded(*NOISE, on_change(0x123, Follows(HORN, 1, 3))))
    assert _place(best) == ("0x123", 11, 1, 1)
    assert best.answered == 8
    assert best.cycle_time_s is None


def test_a_message_that_comes_only_while_operated_is_told_whatever_it_says() -> None:
    times = [at for begin, end in HORN for at in np.arange(begin + 0.2, end, 0.1).tolist()]
    row = _horn(recorded(*NOISE, Sent(0x123, times, [bytes([7, 7])] * len(times))))
    assert not row.named
    assert [(each.identifier, each.answered, each.stray) for each in row.messages] == [("0x123", 8, 0)]
    assert row.messages[0].chance < 0.01
    assert _horn(recorded(*NOISE)).messages == ()


def test_mirrors_are_grouped_behind_the_bit_that_goes_first() -> None:
    first = cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)
    later = cyclic(0x456, Follows(HORN, 0, 0, late_s=0.4), end_s=END_S)
    row = _horn(recorded(*NOISE, first, later))
    assert _place(row.candidates[0]) == ("0x123", 20, 1, 1)
    assert [(each.identifier, each.start_bit) for each in row.candidates[0].mirrors] == [("0x456", 0)]


def test_controls_in_one_session_do_not_confuse_each_other() -> None:
    slots = Slots("..HB.HBL..HLBH.BL.H.BLH.LBH.LBH.L..B")
    parts = [Follows(slots.spans(letter), 2, bit) for bit, letter in enumerate("HBL")]
    every = Follows([span for letter in "HBL" for span in slots.spans(letter)], 3)
    result = discover(recorded(*NOISE, cyclic(0x123, *parts, every, end_s=slots.end_s)), slots.marks()).result
    assert result.verdict == "named"
    for bit, name in enumerate(("horn", "brake", "lamp")):
        row = result.controls[name]
        assert _place(row.candidates[0]) == ("0x123", 16 + bit, 1, 1)
        assert row.others > 0
        assert {slot.label for slot in row.slots if slot.kind == "other"} == {"horn", "brake", "lamp"} - {name}


def test_controls_held_one_inside_the_other_are_told_apart() -> None:
    """As in a walk through all combinations: horn, horn and brake, brake, none."""
    outer = [(LEAD, LEAD + 6.0) for LEAD in np.arange(3.0, 150.0, 18.0)]
    inner = [(begin + 3.0, end + 3.0) for begin, end in outer]
    marks = [Mark(begin, "horn", end) for begin, end in outer] + [Mark(begin, "brake", end) for begin, end in inner]
    marks += [Mark(begin + 12.0, "rest") for begin, _ in outer] + [Mark(begin + 14.5, "rest") for begin, _ in outer]
    parts = [Follows(outer, 2, 0), Follows(inner, 2, 1)]
    result = discover(recorded(*NOISE, cyclic(0x123, *parts, end_s=160.0)), marks).result
    assert [result.controls[name].candidates[0].start_bit for name in ("horn", "brake")] == [16, 17]
    assert result.verdict == "named"


def test_a_bit_that_follows_two_controls_operated_together_is_given_to_neither() -> None:
    horn = SLOTS.marks().marks
    both = [*horn, *(replace(mark, label="brake") for mark in horn if mark.label == "horn")]
    result = discover(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), both).result
    assert result.verdict == "not-named"
    assert not any(row.named for row in result.controls.values())
    assert "brake" in result.controls["horn"].reason
    assert "slots of their own" in result.controls["horn"].next_step


def test_draws_are_compared_within_one_state_of_the_vehicle() -> None:
    """Exercises are many with the ignition on and few without: a bit of the ignition gains nothing from that."""
    slots = Slots("HHH.HHH.HHH.HH.........H..........")
    awake = (3.0 - 1.0, 3.0 + 14 * 6.0 - 0.5)
    marks = [Mark(awake[0], "ignition", awake[1]), *slots.marks()]
    noisy = cyclic(0x123, Follows([awake], 1, 0), end_s=slots.end_s)
    horn = cyclic(0x124, Follows(slots.spans("H"), 2, 4), end_s=slots.end_s)
    result = discover(recorded(*NOISE, noisy, horn), marks).result
    assert _place(result.controls["horn"].candidates[0]) == ("0x124", 20, 1, 1)
    single = result.controls["horn"].candidates[0].single_chance
    assert single == pytest.approx(1 / (364 * 20), rel=0.01)  # 14 over 11 times 20 over 1


def test_nothing_found_is_an_answer_with_what_would_settle_it() -> None:
    row = _horn(recorded(*NOISE))
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
    assert _place(row.candidates[0]) == ("0x123", 20, 1, 1)
    assert row.more_exercises is not None
    assert row.next_step.startswith(("One more", f"{row.more_exercises} more"))


def test_without_rest_slots_the_answer_is_labelled_weaker_with_both_figures() -> None:
    marks = [mark for mark in SLOTS.marks() if mark.label != "rest"]
    row = discover(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), marks).result.controls["horn"]
    assert row.strength == "weaker"
    assert row.named
    best = row.candidates[0]
    assert _place(best) == ("0x123", 20, 1, 1)
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
    assert _place(
        _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), SLOTS.marks(until=False))
    ) == ("0x123", 20, 1, 1)


def test_counters_checksums_clocks_and_toggles_are_told() -> None:
    def content(number: int) -> bytes:
        counter, slow = number % 16, (number // 70) % 5
        return bytes(
            [counter, slow, (0x1D * (counter + 3) ^ 0x35 * (slow + 1) ^ (counter * slow * 7)) & 0xFF, number & 1]
        )

    clock = cyclic(0x200, end_s=END_S, every_s=0.1, beside=lambda number: bytes([number // 10 & 0xFF, 0]))
    dropped = _horn(recorded(clock, cyclic(0x123, end_s=END_S, every_s=0.05, beside=content))).dropped
    assert ("0x123", 0, 4) in [(row.identifier, row.start_bit, row.length) for row in dropped.counters]
    assert ("0x123", 16, 8) in [(row.identifier, row.start_bit, row.length) for row in dropped.checksums]
    assert ("0x123", 24, 1) in [(row.identifier, row.start_bit, row.length) for row in dropped.toggles]
    assert [row.identifier for row in dropped.clocks] == ["0x200"]


def test_a_database_names_the_surroundings_and_what_is_known_already() -> None:
    known = SignalDefinition("Horn", 20, 1)
    message = Message("Grip", 0x123, is_extended=False, length=8, signals=(known,))
    best = _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), database=Database((message,)))
    assert (best.message, best.known) == ("Grip", "Grip.Horn")
    other = replace(message, signals=(SignalDefinition("Speed", 0, 16),))
    best = _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), database=Database((other,)))
    assert (best.message, best.known) == ("Grip", None)


def test_known_signals_that_do_not_follow_are_skipped() -> None:
    signals = tuple(SignalDefinition(f"State{bit}", 8 + bit, 1) for bit in range(8))
    messages = tuple(
        Message(f"M{each:x}", each, is_extended=False, length=8, signals=signals) for each in range(0x300, 0x308)
    )
    result = discover(recorded(*NOISE), SLOTS.marks(), Database(messages)).result
    assert result.known_skipped > 0
    assert all(each.known is None for each in result.controls["horn"].candidates)


def test_payloads_of_64_bytes_and_of_changing_length_are_searched() -> None:
    long = cyclic(0x123, Follows(HORN, 40, 5), end_s=END_S, length=64)
    best = _best(recorded(*NOISE, long))
    assert _place(best) == ("0x123", 325, 1, 1)
    assert best.is_fd
    assert best.payload_length == 64

    def content(number: int) -> bytes:
        return bytes(8 if number % 3 else 3)

    best = _best(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S, beside=content)))
    assert _place(best) == ("0x123", 20, 1, 1)


def test_a_bit_of_a_byte_that_shorter_frames_lack_is_found() -> None:
    whole = cyclic(0x123, Follows(HORN, 6, 1), end_s=END_S)
    cut = replace(whole, payloads=[each[: 8 if number % 2 else 4] for number, each in enumerate(whole.payloads)])
    assert _place(_best(recorded(*NOISE, cut))) == ("0x123", 49, 1, 1)


def test_each_channel_is_searched_by_itself() -> None:
    one = cyclic(0x123, end_s=END_S, channel=0)
    two = cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S, channel=1)
    trace = recorded(one, two, channels=("left", "right"))
    assert _best(trace).channel == "right"
    found = discover(trace, SLOTS.marks(), channel="left").result
    assert found.verdict == "not-named"
    with pytest.raises(UsageError, match="middle"):
        discover(trace, SLOTS.marks(), channel="middle")


def test_remote_frames_and_error_records_are_not_taken_for_payloads() -> None:
    horn = cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)
    strange = [
        Sent(0x123, [1.0, 30.0, 31.0], [bytes(8)] * 3, kind=1),
        Sent(0x20, [5.0, 50.0], [b"\xff" * 8] * 2, kind=2),
    ]
    assert _place(_best(recorded(*NOISE, horn, *strange))) == ("0x123", 20, 1, 1)


def test_where_the_clock_restarts_the_longest_part_is_searched() -> None:
    before = replace(cyclic(0x123, end_s=20.0), segment=0)
    after = [replace(each, segment=1) for each in (*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))]
    assert _place(_best(recorded(before, *after))) == ("0x123", 20, 1, 1)


def test_marks_without_an_exercise_are_refused() -> None:
    trace = recorded(*NOISE)
    for marks, found in (([], "no marks"), ([Mark(1.0, "rest")], "only rest slots")):
        with pytest.raises(UsageError, match=found):
            discover(trace, marks)


def test_a_recording_without_data_frames_names_nothing_and_says_so() -> None:
    for trace in (Trace.empty(), recorded(Sent(0x20, [1.0], [bytes(8)], kind=2))):
        result = discover(trace, SLOTS.marks()).result
        assert result.verdict == "not-named"
        assert "no data frames" in result.controls["horn"].reason


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


def test_a_recording_of_one_frame_gives_an_answer() -> None:
    result = discover(recorded(Sent(0x1, [0.5], [b"\x01"])), SLOTS.marks()).result
    assert result.controls["horn"].reason == "No payload changes in this recording."


def test_the_result_comes_as_tables() -> None:
    found = discover(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), SLOTS.marks())
    assert isinstance(found, Discovery)
    tables = found.tables()
    assert set(tables) == {"controls", "candidates", "levels", "messages", "slots", "dropped"}
    assert tables["candidates"].loc[0, "identifier"] == "0x123"
    assert len(tables["slots"]) == 24


def test_shifting_all_times_changes_nothing_but_the_times() -> None:
    sent = [*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)]
    one, two = (discover(recorded(*sent, start_ns=start), SLOTS.marks()).to_dict() for start in (10**18, 17 * 10**17))
    one["recording"], two["recording"] = None, None
    assert one == two
