"""Quality: how far a recording can be trusted, and why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.database import Database
from canlens.measures.quality import recording
from canlens.trace import Kind, Problem, Source, Trace
from tests.unit.small_jobs import START_NS, job, planned, presses

ONE = job({"horn": presses(3)}, {"siren": planned("horn", presses(3))}, end_s=2.5)
HUNDRED = ONE.trace.where(slice(0, 99))


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


def test_a_clock_that_restarts_makes_a_recording_poor() -> None:
    segment = np.repeat(np.array([0, 1], np.int32), [50, 49])
    found = recording(replace(HUNDRED, segment=segment), Database())
    assert found.quality == "poor"
    assert "restarts 1 time" in found.quality_reasons[0]


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
