"""Verdicts: what each kind of install comes to – proven, failed, not proven – why, and at which link it breaks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.plan import Mark
from canlens.results.check import LINKS
from tests.unit.judged_situations import BRAKE, HORN, LIKELY, SITUATIONS, checkup_of, siren, swapped, with_siren
from tests.unit.small_jobs import Job, answering, operated


@pytest.mark.parametrize("name", SITUATIONS)
def test_the_verdict_is(name: str) -> None:
    case = SITUATIONS[name]
    checkup = checkup_of(name)
    own = checkup.result.outputs["siren"]
    assert own.verdict == case.verdict, own.reason
    assert case.reason in own.reason
    assert own.first_broken_link == case.broken
    assert checkup.verdict == (case.whole or checkup.verdict)
    likely = [cause.cause for cause in checkup.result.causes if cause.probability > 0.5]
    assert likely == ([LIKELY[name]] if name in LIKELY else [])


@pytest.mark.parametrize("name", SITUATIONS)
def test_the_parts_of_a_verdict_fit_together(name: str) -> None:
    checkup = checkup_of(name)
    for own in checkup.result.outputs.values():
        assert own.answered + own.late <= own.due
        assert set(own.links) == set(LINKS)
        broken = [link for link in LINKS if own.links[link] == "broken"]
        assert own.first_broken_link == (broken[0] if broken else None)
        assert (own.verdict == "proven") <= (not broken)
        assert own.verdict != "proven" or own.next_exercise is None
        assert own.reason
        assert own.latency_s.max is None or own.latency_s.max >= (own.latency_s.median or 0) >= 0
    verdicts = {own.verdict for own in checkup.result.outputs.values()}
    assert checkup.verdict != "proven" or verdicts == {"proven"}
    assert checkup.verdict == "failed" or "failed" not in verdicts


@pytest.mark.parametrize("name", [name for name, case in SITUATIONS.items() if case.verdict == "failed"])
def test_what_failed_has_a_failure_among_the_findings(name: str) -> None:
    findings = checkup_of(name).result.findings
    assert any(each.severity == "failure" and {"siren", "horn"} & set(each.subject) for each in findings)


@pytest.mark.parametrize("name", [name for name, case in SITUATIONS.items() if case.verdict == "proven"])
def test_what_is_proven_has_no_finding_against_it(name: str) -> None:
    findings = checkup_of(name).result.findings
    assert [each.check for each in findings if "siren" in each.subject] == []


@pytest.mark.parametrize("name", [name for name, case in SITUATIONS.items() if case.verdict == "not-proven"])
def test_what_is_not_proven_has_a_finding_that_says_what_is_missing(name: str) -> None:
    assert checkup_of(name).result.findings


def test_a_rule_that_was_followed_instead_is_named() -> None:
    result = swapped().result("siren")
    assert (result.planned, result.observed) == ("horn", "brake")
    result = with_siren(siren(answering([*HORN, *BRAKE]))).result("siren")
    assert result.observed == "horn or brake"


def test_the_next_exercise_says_what_is_missing() -> None:
    lacking = with_siren(siren(answering(HORN[:2])), horn=HORN[:2]).result("siren")
    assert lacking.next_exercise is not None
    assert lacking.next_exercise.startswith("operate horn once more")
    confounded = SITUATIONS["confounded"].made().result("siren")
    assert confounded.next_exercise == "operate brake once while horn is off, for at least 2.0 s"


def test_latencies_are_those_of_the_rows() -> None:
    # the siren's messages come ten milliseconds after the horn's, which come every 50 ms
    result = with_siren(siren()).result("siren")
    assert result.latency_s.median == pytest.approx(0.06)
    assert result.latency_s.max == pytest.approx(0.06)


@pytest.mark.parametrize(("control_says", "output_says", "needed"), [(1, None, 1), (1, 2, 2), (None, None, 3)])
def test_the_output_then_the_control_then_the_plan_say_how_many_exercises_prove(
    control_says: int | None, output_says: int | None, needed: int
) -> None:
    for count in (needed - 1, needed):
        horn = HORN[:count]
        touched = operated(horn, min_exercises=control_says)
        one = with_siren(siren(answering(horn), min_exercises=output_says), horn=touched)
        assert one.result("siren").verdict == ("proven" if count == needed else "not-proven")


def test_a_clock_that_restarts_all_the_time_withholds_a_failure_too() -> None:
    one = with_siren(siren([]))
    segment = (np.arange(len(one.trace)) // 20).astype(np.int32)
    result = replace(one, trace=replace(one.trace, segment=segment)).result("siren")
    assert result.verdict == "not-proven"
    assert "poor" in result.reason


def shortened(one: Job, message: str) -> Job:
    """Return a job in which all frames of one message came without a payload."""
    trace, definition = one.trace, one.plan.database.message(message)
    assert definition is not None
    own = trace.identifier == definition.identifier
    length = np.where(own, 0, trace.payload.length).astype(trace.payload.length.dtype)
    dlc = np.where(own, 0, trace.dlc).astype(trace.dlc.dtype)
    return replace(one, trace=replace(trace, dlc=dlc, payload=replace(trace.payload, length=length)))


def test_frames_too_short_for_a_signal_are_no_control_at_rest() -> None:
    healthy = with_siren(siren())
    control = healthy.message_of(1)
    marks = tuple(Mark(start, "horn") for start, _ in HORN)
    short = replace(shortened(healthy, control), marks=marks)
    assert short.result("siren").verdict == "not-proven"
    assert short.result("siren").reason == f"horn cannot be read: no frame of {control} is long enough for {control}.On"
    assert "control-never-changes" not in {each.cause for each in short.checkup.result.causes}
    told = shortened(healthy, "SirenState").result("siren")
    assert told.verdict == "not-proven"
    assert told.reason == "it cannot be read: no frame of SirenState is long enough for SirenState.On"
