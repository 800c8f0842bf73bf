"""Several recordings of one job: their evidence adds up, and a later one decides where it exercises an output again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from canlens.checkup import check
from canlens.errors import TableError, UsageError
from canlens.plan import Mark, Observation
from canlens.trace import Problem
from tests.unit.small_jobs import (
    NS,
    START_NS,
    Job,
    answering,
    job,
    planned,
    presses,
    wave,
    without_frames,
    without_message,
)

if TYPE_CHECKING:
    from canlens.checkup import Checkup
    from canlens.results.check import OutputResult

HOUR_NS = 3600 * NS
GOOD, DEAD, LATE = "good", "dead", "late"


def part(count: int, how: str = GOOD, *, brake: int = 1, start_ns: int = START_NS, **options: Any) -> Job:
    """Return one recording: the horn pressed so often, and how the siren answers."""
    horn = presses(count)
    on = {GOOD: answering(horn), DEAD: [], LATE: answering(horn, delay_s=0.6)}[how]
    controls = {"horn": horn, "brake": presses(brake, first_s=20)}
    return job(controls, {"siren": planned("horn", on, **options)}, end_s=30, start_ns=start_ns)


def checked(*parts: Job, **more: Any) -> Checkup:
    return check(parts[0].plan, [each.trace for each in parts], **more)


def siren(*parts: Job) -> OutputResult:
    return checked(*parts).result.outputs["siren"]


def poor(one: Job) -> Job:
    problems = (Problem(3, "(17600", "(time) channel frame", count=len(one.trace)),)
    return replace(one, trace=replace(one.trace, problems=problems))


def test_exercises_of_several_recordings_add_up() -> None:
    assert siren(part(2)).verdict == "not-proven"
    both = siren(part(2), part(1))
    assert (both.verdict, both.due, both.answered) == ("proven", 3, 3)


def test_what_adds_up_to_a_proof_leaves_no_finding_that_it_is_missing() -> None:
    checkup = checked(part(2), part(1))
    assert checkup.verdict == "proven"
    assert checkup.result.findings == ()


def test_a_run_on_seen_in_one_recording_is_not_missing_in_the_job() -> None:
    def run_on(end_s: float) -> Job:
        fan = planned("horn", wave([(2.05, 14.0)], cycle_s=None), run_on_s=10.0, run_on_tolerance_s=1.0)
        return job({"horn": [(2.0, 4.0)]}, {"fan": fan}, end_s=end_s, min_exercises=1)

    checkup = checked(run_on(30), run_on(8))
    assert checkup.verdict == "proven"
    assert checkup.result.findings == ()


def test_rules_told_apart_in_one_recording_are_told_apart_in_the_job() -> None:
    horn = presses(3)
    together = job({"horn": horn, "brake": horn}, {"siren": planned("horn", answering(horn))}, end_s=30)
    checkup = checked(together, part(3))
    assert checkup.verdict == "proven"
    assert checkup.result.findings == ()


def test_what_is_missing_from_all_recordings_is_still_found() -> None:
    checkup = checked(part(1), part(1))
    assert checkup.verdict == "not-proven"
    assert {finding.check for finding in checkup.result.findings} == {"unexercised-control"}


def test_one_failure_among_recordings_fails() -> None:
    assert siren(part(3), part(1, DEAD)).verdict == "failed"


@pytest.mark.parametrize("how", [DEAD, LATE])
def test_a_later_recording_decides_for_what_had_failed(how: str) -> None:
    mended = checked(part(3, how), part(3))
    assert mended.result.outputs["siren"].verdict == "proven"
    assert mended.verdict == "proven"
    assert {finding.severity for finding in mended.result.findings} <= {"note"}


def test_a_retest_must_be_a_proof_by_itself() -> None:
    half = siren(part(3, DEAD), part(1))
    assert (half.verdict, half.due) == ("not-proven", 1)


def test_a_later_recording_that_does_not_exercise_the_output_decides_nothing() -> None:
    assert siren(part(3, DEAD), part(0)).verdict == "failed"
    assert siren(part(3), part(0)).verdict == "proven"


def test_a_failed_retest_fails_and_its_findings_name_its_recording() -> None:
    checkup = checked(part(3), part(3, LATE))
    assert checkup.verdict == "failed"
    late = [finding for finding in checkup.result.findings if finding.check == "late-answer"]
    assert [finding.evidence.recording for finding in late] == [1]


def test_a_poor_recording_among_good_ones_neither_proves_nor_fails() -> None:
    assert siren(part(3), poor(part(3, DEAD))).verdict == "proven"
    assert siren(poor(part(3, DEAD)), part(3)).verdict == "proven"
    assert siren(poor(part(3)), poor(part(3))).verdict == "not-proven"


def test_a_recording_in_which_the_output_was_not_shown_takes_nothing_away() -> None:
    own = siren(part(3), without_message(part(3), "SirenState"))
    assert (own.verdict, own.due) == ("proven", 3)


def test_marks_as_stamps_belong_to_the_recording_in_which_they_lie() -> None:
    later = START_NS + HOUR_NS
    first, second = part(3, brake=0), part(0, brake=2, start_ns=later)
    marks = [Mark(START_NS / NS + a, "horn") for a, _ in presses(3)]
    marks += [Mark(later / NS + a, "brake") for a, _ in presses(2, first_s=20)]
    own = checked(first, second, marks=marks)
    assert own.result.outputs["siren"].verdict == "proven"
    assert own.result.controls["horn"].marked == 3
    assert own.result.controls["brake"].marked == 2


def test_all_recordings_are_listed_and_controls_counted_over_all() -> None:
    result = checked(part(2), part(3)).result
    assert len(result.recordings) == 2
    assert result.controls["horn"].exercises == 5


def test_the_written_form_names_one_or_several_recordings() -> None:
    assert "recording" in checked(part(2)).to_dict()
    written = checked(part(2), part(3, LATE)).to_dict()
    assert len(written["recordings"]) == 2
    assert all(finding["evidence"]["recording"] in {0, 1} for finding in written["findings"])


def test_no_recording_at_all_is_refused() -> None:
    with pytest.raises(UsageError, match="no recording"):
        check(part(1).plan, [])


def test_an_empty_recording_after_a_good_one_does_no_harm() -> None:
    checkup = checked(part(3), without_frames(part(3)))
    assert checkup.verdict == "proven"
    assert checkup.result.causes == ()


def test_an_empty_recording_before_a_good_one_does_no_harm() -> None:
    assert checked(without_frames(part(3)), part(3)).verdict == "proven"


@pytest.mark.parametrize(
    "more",
    [{"marks": [Mark(2.0, "hron")]}, {"observed": [Observation(2.0, "sirne", on=True)]}],
)
def test_marks_and_observations_of_nothing_in_the_plan_are_refused(more: dict[str, Any]) -> None:
    with pytest.raises(TableError, match=r"horn|siren"):
        checked(part(1), **more)


def test_tables_hold_a_row_for_each_output_control_finding_and_cause() -> None:
    checkup = checked(without_message(part(3), "Horn"))
    tables = checkup.tables()
    assert list(tables["outputs"]["output"]) == ["siren"]
    assert list(tables["controls"]["control"]) == ["horn", "brake"]
    assert len(tables["findings"]) == len(checkup.result.findings)
    assert list(tables["causes"]["cause"]) == ["message-missing"]
