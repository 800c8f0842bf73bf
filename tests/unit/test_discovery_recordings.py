"""Discovery: recordings of every kind."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canlens import discover
from canlens.errors import UsageError
from canlens.trace import Trace
from tests.unit.found_horns import END_S, HORN, NOISE, SLOTS, best_place, place_of
from tests.unit.small_sessions import Follows, Sent, cyclic, recorded


def test_payloads_of_64_bytes_and_of_changing_length_are_searched() -> None:
    long = cyclic(0x123, Follows(HORN, 40, 5), end_s=END_S, length=64)
    best = best_place(recorded(*NOISE, long))
    assert place_of(best) == ("0x123", 325, 1, 1)
    assert best.is_fd
    assert best.payload_length == 64

    def content(number: int) -> bytes:
        return bytes(8 if number % 3 else 3)

    best = best_place(recorded(*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S, beside=content)))
    assert place_of(best) == ("0x123", 20, 1, 1)


def test_a_bit_of_a_byte_that_shorter_frames_lack_is_found() -> None:
    whole = cyclic(0x123, Follows(HORN, 6, 1), end_s=END_S)
    cut = replace(whole, payloads=[each[: 8 if number % 2 else 4] for number, each in enumerate(whole.payloads)])
    assert place_of(best_place(recorded(*NOISE, cut))) == ("0x123", 49, 1, 1)


def test_each_channel_is_searched_by_itself() -> None:
    one = cyclic(0x123, end_s=END_S, channel=0)
    two = cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S, channel=1)
    trace = recorded(one, two, channels=("left", "right"))
    assert best_place(trace).channel == "right"
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
    assert place_of(best_place(recorded(*NOISE, horn, *strange))) == ("0x123", 20, 1, 1)


def test_where_the_clock_restarts_the_longest_part_is_searched() -> None:
    before = replace(cyclic(0x123, end_s=20.0), segment=0)
    after = [replace(each, segment=1) for each in (*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S))]
    assert place_of(best_place(recorded(before, *after))) == ("0x123", 20, 1, 1)


def test_a_recording_without_data_frames_names_nothing_and_says_so() -> None:
    for trace in (Trace.empty(), recorded(Sent(0x20, [1.0], [bytes(8)], kind=2))):
        result = discover(trace, SLOTS.marks()).result
        assert result.verdict == "not-named"
        assert "no data frames" in result.controls["horn"].reason


def test_a_recording_of_one_frame_gives_an_answer() -> None:
    result = discover(recorded(Sent(0x1, [0.5], [b"\x01"])), SLOTS.marks()).result
    assert result.controls["horn"].reason == "No payload changes in this recording."


def test_shifting_all_times_changes_nothing_but_the_times() -> None:
    sent = [*NOISE, cyclic(0x123, Follows(HORN, 2, 4), end_s=END_S)]
    one, two = (discover(recorded(*sent, start_ns=start), SLOTS.marks()).to_dict() for start in (10**18, 17 * 10**17))
    one["recording"], two["recording"] = None, None
    assert one == two
