"""Discovery: which places are named for a control, and how."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens import discover
from canlens.database import Database, Message, SignalDefinition
from canlens.discovery import Discovery
from canlens.plan import Mark
from tests.unit.found_horns import END_S, HORN, NOISE, SLOTS, best_place, horn_row, place_of
from tests.unit.small_sessions import DRAWN, LEAD_S, Follows, Sent, Slots, cyclic, on_change, recorded


def test_a_bit_that_follows_its_control_is_named_with_its_chance_and_latency() -> None:
    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)))
    assert place_of(best) == ("0x123", 20, 1, 1)
    assert (best.answered, best.stray) == (8, 0)
    assert best.single_chance == pytest.approx(1 / 735471)  # 24 over 8
    assert best.single_chance < best.chance < 0.001
    assert best.latency_s == pytest.approx(0.1, abs=0.1)
    assert best.cycle_time_s == pytest.approx(0.1, rel=1e-3)
    assert best.payload_length == 8
    assert best.kind == "bit"


def test_the_ticks_are_the_slots_in_which_it_went_on_and_off() -> None:
    row = horn_row(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4, missed=[3]), end_s=END_S)))
    operated = [slot.kind == "exercise" for slot in row.slots]
    assert "".join("H" if each else "." for each in operated) == DRAWN
    expected = [each and sum(operated[:number]) != 3 for number, each in enumerate(operated)]
    assert list(row.candidates[0].ticks) == expected
    assert row.candidates[0].answered == 7
    assert row.named


def test_the_lines_of_a_candidate_are_the_frames_in_which_it_went_on() -> None:
    trace = recorded(cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))
    best = best_place(trace)
    rows = np.array(best.lines) - 1
    assert (trace.payload.first8[rows, 2] == 16).all()
    assert (trace.payload.first8[rows - 1, 2] == 0).all()
    assert len(rows) == 8


def test_a_bit_of_inverted_polarity_is_on_at_0() -> None:
    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 0, 7, on=0, off=1), end_s=END_S)))
    assert place_of(best) == ("0x123", 7, 1, 0)
    assert best.off == 1


def test_a_field_of_two_bits_is_found_by_the_bit_that_moves() -> None:
    best = best_place(recorded(*NOISE, cyclic(0x18FEF100, Follows(HORN, 3, 2), end_s=END_S, is_extended=True)))
    assert place_of(best) == ("0x18fef100", 26, 1, 1)
    assert best.is_extended


def test_one_value_of_a_selector_is_found_as_a_field() -> None:
    slots = Slots("..H.BHB..H.BH..BH.BH.HB.")
    turns = [Follows(slots.spans("H"), 2, 4, on=1), Follows(slots.spans("B"), 2, 4, on=3)]
    result = discover(recorded(*NOISE, cyclic(0x123, *turns, end_s=slots.end_s)), slots.marks()).result
    horn, brake = result.controls["horn"], result.controls["brake"]
    assert horn.named
    assert (horn.candidates[0].kind, horn.candidates[0].on, horn.candidates[0].off) == ("field", 1, 0)
    assert brake.named
    assert place_of(brake.candidates[0]) == ("0x123", 21, 1, 1)


def test_a_bit_leads_even_where_a_foreign_bit_beside_it_makes_a_field_that_does_better_by_luck() -> None:
    """A touch that nobody made, while the bit beside it happens to be another."""
    touched = [*HORN, (LEAD_S + 1.0, LEAD_S + 3.0)]
    beside = Follows([(LEAD_S + 5.0, END_S)], 2, 5)
    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(touched, 2, 4), beside, end_s=END_S)))
    assert place_of(best) == ("0x123", 20, 1, 1)
    assert (best.answered, best.stray) == (8, 1)


def test_a_number_that_moves_with_the_control_is_told_as_a_level() -> None:
    row = horn_row(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, on=180, off=20, ramp_s=0.6), end_s=END_S)))
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

    row = horn_row(recorded(*NOISE, cyclic(0x123, end_s=END_S, beside=high_first)))
    assert row.named
    level = row.levels[0]
    assert (level.identifier, level.kind) == ("0x123", "level")
    assert (level.start_bit, level.length, level.byte_order) in {(8, 8, "intel"), (16, 16, "motorola")}


def test_a_message_that_is_sent_on_a_change_alone_is_found() -> None:
    best = best_place(recorded(*NOISE, on_change(0x123, Follows(HORN, 1, 3))))
    assert place_of(best) == ("0x123", 11, 1, 1)
    assert best.answered == 8
    assert best.cycle_time_s is None


def test_a_message_that_comes_only_while_operated_is_told_whatever_it_says() -> None:
    times = [at for begin, end in HORN for at in np.arange(begin + 0.2, end, 0.1).tolist()]
    row = horn_row(recorded(*NOISE, Sent(0x123, times, [bytes([7, 7])] * len(times))))
    assert not row.named
    assert [(each.identifier, each.answered, each.stray) for each in row.messages] == [("0x123", 8, 0)]
    assert row.messages[0].chance < 0.01
    assert horn_row(recorded(*NOISE)).messages == ()


def test_mirrors_are_grouped_behind_the_bit_that_goes_first() -> None:
    first = cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)
    later = cyclic(0x456, Follows(HORN, 0, 0, late_s=0.4), end_s=END_S)
    row = horn_row(recorded(*NOISE, first, later))
    assert place_of(row.candidates[0]) == ("0x123", 20, 1, 1)
    assert [(each.identifier, each.start_bit) for each in row.candidates[0].mirrors] == [("0x456", 0)]


def test_controls_in_one_session_do_not_confuse_each_other() -> None:
    slots = Slots("..HB.HBL..HLBH.BL.H.BLH.LBH.LBH.L..B")
    parts = [Follows(slots.spans(letter), 2, bit) for bit, letter in enumerate("HBL")]
    every = Follows([span for letter in "HBL" for span in slots.spans(letter)], 3)
    result = discover(recorded(*NOISE, cyclic(0x123, *parts, every, end_s=slots.end_s)), slots.marks()).result
    assert result.verdict == "named"
    for bit, name in enumerate(("horn", "brake", "lamp")):
        row = result.controls[name]
        assert place_of(row.candidates[0]) == ("0x123", 16 + bit, 1, 1)
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


def test_counters_checksums_clocks_and_toggles_are_told() -> None:
    def content(number: int) -> bytes:
        counter, slow = number % 16, (number // 70) % 5
        return bytes(
            [counter, slow, (0x1D * (counter + 3) ^ 0x35 * (slow + 1) ^ (counter * slow * 7)) & 0xFF, number & 1]
        )

    clock = cyclic(0x200, end_s=END_S, every_s=0.1, beside=lambda number: bytes([number // 10 & 0xFF, 0]))
    dropped = horn_row(recorded(clock, cyclic(0x123, end_s=END_S, every_s=0.05, beside=content))).dropped
    assert ("0x123", 0, 4) in [(row.identifier, row.start_bit, row.length) for row in dropped.counters]
    assert ("0x123", 16, 8) in [(row.identifier, row.start_bit, row.length) for row in dropped.checksums]
    assert ("0x123", 24, 1) in [(row.identifier, row.start_bit, row.length) for row in dropped.toggles]
    assert [row.identifier for row in dropped.clocks] == ["0x200"]


def test_a_database_names_the_surroundings_and_what_is_known_already() -> None:
    known = SignalDefinition("Horn", 20, 1)
    message = Message("Grip", 0x123, is_extended=False, length=8, signals=(known,))
    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), database=Database((message,)))
    assert (best.message, best.known) == ("Grip", "Grip.Horn")
    other = replace(message, signals=(SignalDefinition("Speed", 0, 16),))
    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), database=Database((other,)))
    assert (best.message, best.known) == ("Grip", None)


def test_known_signals_that_do_not_follow_are_skipped() -> None:
    signals = tuple(SignalDefinition(f"State{bit}", 8 + bit, 1) for bit in range(8))
    messages = tuple(
        Message(f"M{each:x}", each, is_extended=False, length=8, signals=signals) for each in range(0x300, 0x308)
    )
    result = discover(recorded(*NOISE), SLOTS.marks(), Database(messages)).result
    assert result.known_skipped > 0
    assert all(each.known is None for each in result.controls["horn"].candidates)


def test_the_result_comes_as_tables() -> None:
    found = discover(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)), SLOTS.marks())
    assert isinstance(found, Discovery)
    tables = found.tables()
    assert set(tables) == {"controls", "candidates", "levels", "messages", "slots", "dropped"}
    assert tables["candidates"].loc[0, "identifier"] == "0x123"
    assert len(tables["slots"]) == 24
