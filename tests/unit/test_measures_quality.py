"""Quality: how far a recording can be trusted, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.database import Database
from canlens.measures.quality import by_clock, recording
from canlens.trace import Kind, Problem, Source, Trace
from tests.unit.error_logs import with_records, with_remark
from tests.unit.small_jobs import START_NS, job, planned, presses

ONE = job({"horn": presses(3)}, {"siren": planned("horn", presses(3))}, end_s=2.5)
HUNDRED = ONE.trace.where(slice(0, 99))
HEALTHY = job({"horn": presses(3)}, {"siren": planned("horn", presses(3))}, end_s=12).trace


def problems(count: int) -> tuple[Problem, ...]:
    return tuple(Problem(row + 1, "(17600", "(time) channel frame") for row in range(count))


def test_a_whole_recording_is_good() -> None:
    found = recording(ONE.trace, Database())
    assert (found.quality, found.quality_reasons) == ("good", ())
    assert found.start == START_NS / 1e9
    assert found.frames == len(ONE.trace)


@pytest.mark.parametrize(("count", "quality"), [(0, "good"), (1, "usable"), (2, "poor")])
def test_one_unusable_line_in_a_hundred_is_borne(count: int, quality: str) -> None:
    # 99 frames and one bad line are exactly one in a hundred
    found = recording(replace(HUNDRED, problems=problems(count)), Database())
    assert found.quality == quality
    assert found.problem_count == count


@pytest.mark.parametrize(("restarts", "quality"), [(1, "usable"), (7, "usable"), (8, "poor")])
def test_a_clock_that_restarts_is_judged_in_parts_unless_it_always_does(restarts: int, quality: str) -> None:
    segment = np.minimum(np.arange(99) // 10, restarts).astype(np.int32)
    found = recording(replace(HUNDRED, segment=segment), Database())
    assert found.quality == quality
    assert "clock was set or restarted" in found.quality_reasons[0]
    assert len(by_clock(replace(HUNDRED, segment=segment))) == (restarts + 1 if quality == "usable" else 1)


def test_stamps_that_step_backwards_are_usable() -> None:
    time_ns = HUNDRED.time_ns.copy()
    time_ns[[50, 51]] = time_ns[[51, 50]] + np.array([2000, 0])
    found = recording(replace(HUNDRED, time_ns=time_ns), Database())
    assert found.quality == "usable"


def test_the_count_of_problems_is_exact_where_the_list_is_cut() -> None:
    found = recording(replace(HUNDRED, problems=problems(500)), Database())
    assert found.problem_count == 500
    assert len(found.problems) == 50


def test_an_empty_recording_has_no_start_and_no_length() -> None:
    found = recording(Trace.empty(), Database())
    assert (found.start, found.duration_s, found.frames, found.quality) == (None, 0.0, 0, "good")


def test_a_format_that_cannot_hold_error_frames_does_not_say_there_were_none() -> None:
    deaf = replace(HUNDRED, source=Source(can_hold_errors=False))
    kind = HUNDRED.kind.copy()
    kind[3] = Kind.ERROR
    assert recording(deaf, Database()).error_frames_recorded == "no"
    assert recording(HUNDRED, Database()).error_frames_recorded == "unknown"
    seen = recording(replace(HUNDRED, kind=kind), Database())
    assert (seen.error_frames_recorded, seen.error_frames) == ("yes", 1)


@pytest.mark.parametrize(
    ("step_ms", "within_s", "quality"),
    [
        (1, 0.3, "good"),  # a thousandth is fine for what a hand operates
        (10, 0.1, "good"),  # exactly a tenth
        (10, 0.09, "usable"),
        (100, 0.1, "usable"),
        (100, 0.09, "poor"),
        (100, None, "good"),  # nothing has to answer
    ],
)
def test_a_clock_is_coarse_against_the_time_in_which_an_answer_is_due(
    step_ms: int, within_s: float | None, quality: str
) -> None:
    spread = np.arange(50, dtype=np.int64) * 100_000_000
    trace = replace(ONE.trace.where(slice(0, 50)), time_ns=10**18 + spread + np.arange(50) % 2 * step_ms * 1_000_000)
    assert recording(trace, Database(), within_s=within_s).quality == quality


@pytest.mark.parametrize(("duration_ns", "quality"), [(2_000_000_000, "good"), (1_999_000_000, "usable")])
def test_a_recording_of_less_than_two_seconds_is_short(duration_ns: int, quality: str) -> None:
    stamps = np.linspace(0, duration_ns, 50).astype(np.int64)
    trace = replace(ONE.trace.where(slice(0, 50)), time_ns=10**18 + stamps)
    assert recording(trace, Database()).quality == quality


@pytest.mark.parametrize(("bunched", "quality"), [(1, "good"), (2, "usable")])
def test_frames_faster_than_any_bus_show_a_recorder_that_stamps_in_bunches(bunched: int, quality: str) -> None:
    # 101 frames have 100 gaps, stamped to the microsecond; the shortest frame takes 44 us at 1 Mbit/s, the highest
    # nominal rate of ISO 11898-2
    gaps_ns = np.full(100, 50_000_000)
    gaps_ns[:bunched] = 42_000
    trace = replace(HEALTHY.where(slice(0, 101)), time_ns=10**18 + np.append(0, np.cumsum(gaps_ns)))
    found = recording(trace, Database())
    assert found.quality == quality
    assert any("in bunches" in each for each in found.quality_reasons) == (quality == "usable")


def test_a_file_that_ends_before_its_time_is_usable() -> None:
    cut = (Problem(1001, "the packed data is cut off", "the end of the packed data"),)
    long = replace(HEALTHY, problems=cut)
    found = recording(long, Database())
    assert found.quality == "usable"
    assert "the file ends before its time: it is cut off or damaged" in found.quality_reasons


def test_a_recorder_that_says_it_lost_frames_is_believed() -> None:
    # Linux include/uapi/linux/can/error.h: CAN_ERR_CRTL_RX_OVERFLOW is 0x01 in byte 1
    trace = with_records(HEALTHY, [(1.0, 0x04, "0001000000000000"), (2.0, 0x04, "0004000000000000")])
    assert recording(trace, Database()).quality_reasons == ("the recorder says 1 time that it lost frames",)


def test_a_channel_with_nothing_but_errors_is_one_sided() -> None:
    trace = with_records(HEALTHY, [(1.0, 0x88, "00" * 8), (2.0, 0x88, "00" * 8)])
    two = replace(trace, channel=(trace.kind == Kind.ERROR).astype(np.int16), channels=("can0", "can1"))
    assert recording(two, Database()).quality_reasons == ("channel can1 holds error records only",)


def test_a_recorder_that_heard_only_itself_is_one_sided() -> None:
    deaf = replace(HEALTHY, is_rx=np.zeros(len(HEALTHY), np.bool_))
    assert recording(deaf, Database()).quality_reasons == ("it holds only what the recorder itself sent",)


def test_counted_errors_are_recorded_errors() -> None:
    # the line is that of python-can 4.6.1, test/data/logfile.asc
    said = with_remark(HEALTHY, "1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%")
    assert recording(said, Database()).error_frames_recorded == "yes"


@pytest.mark.parametrize(("frames", "is_timeless"), [(9, False), (10, True)])
def test_ten_frames_at_one_time_make_a_recording_poor(frames: int, *, is_timeless: bool) -> None:
    part = HEALTHY.where(slice(0, frames))
    found = recording(replace(part, time_ns=np.zeros(frames, np.int64)), Database())
    assert (found.quality == "poor") == is_timeless
    assert any("the same time stamp" in reason for reason in found.quality_reasons) == is_timeless


@pytest.mark.parametrize(("days", "parts"), [(30, 1), (31, 2)])
@pytest.mark.parametrize("row", [1, 50, -1])
def test_a_stamp_more_than_a_month_ahead_begins_a_new_part(days: int, row: int, parts: int) -> None:
    time_ns = HEALTHY.time_ns.copy()
    time_ns[row:] += int((days * 86_400 - 1) * 1e9)
    trace = replace(HEALTHY, time_ns=time_ns)
    assert len(by_clock(trace)) == parts
    told = any("clock was set" in reason for reason in recording(trace, Database()).quality_reasons)
    assert told == (parts > 1)


def test_stamps_that_were_added_up_ask_for_care() -> None:
    found = recording(replace(HEALTHY, source=replace(HEALTHY.source, stamps="added up")), Database())
    assert found.quality == "usable"
    assert "were added up" in found.quality_reasons[0]


def test_a_recording_of_a_format_without_stamps_is_poor_however_short() -> None:
    part = HEALTHY.where(slice(0, 3))
    part = replace(part, time_ns=np.zeros(3, np.int64), source=replace(part.source, stamps="none"))
    assert recording(part, Database()).quality == "poor"
