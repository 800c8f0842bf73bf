"""Checkup: the verdict of the whole job, its causes, and the order in which findings stand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canlens.checkup import check
from canlens.plan import Controller
from tests.unit.small_jobs import (
    Job,
    answering,
    job,
    operated,
    planned,
    presses,
    without_frames,
    without_message,
)

HORN, BRAKE = presses(3), presses(3, first_s=12)


def two(siren: list[tuple[float, float]], lamp: list[tuple[float, float]]) -> Job:
    outputs = {"siren": planned("horn", siren), "lamp": planned("brake", lamp)}
    return job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)


GOOD = two(answering(HORN), answering(BRAKE))
"""All as planned."""


def test_all_proven_is_proven() -> None:
    assert GOOD.checkup.verdict == "proven"
    assert GOOD.checkup.result.causes == ()


def test_one_failed_output_fails_the_job() -> None:
    checkup = two(answering(HORN), []).checkup
    assert {name: own.verdict for name, own in checkup.result.outputs.items()} == {"siren": "proven", "lamp": "failed"}
    assert checkup.verdict == "failed"


def test_one_output_not_proven_leaves_the_job_not_proven() -> None:
    one = job(
        {"horn": HORN, "brake": []}, {"siren": planned("horn", answering(HORN)), "lamp": planned("brake", [])}, end_s=24
    )
    assert one.checkup.verdict == "not-proven"


def test_a_failed_output_outweighs_one_not_proven() -> None:
    one = job({"horn": HORN, "brake": []}, {"siren": planned("horn", []), "lamp": planned("brake", [])}, end_s=24)
    assert one.checkup.verdict == "failed"


def test_a_missing_message_of_the_plan_fails_a_job_whose_outputs_are_all_proven() -> None:
    seen = operated(HORN, noticed=answering(HORN))
    one = job({"horn": seen}, {"siren": planned("horn", answering(HORN))}, end_s=12)
    checkup = without_message(one, "HornSeen").checkup
    assert checkup.result.outputs["siren"].verdict == "proven"
    assert checkup.verdict == "failed"


def test_a_controller_that_only_listens_is_not_called_silent() -> None:
    horn = presses(3, hold_s=2)
    seen = [(0.5, "siren", False), *((a + 1, "siren", True) for a, _ in horn)]
    one = job({"horn": horn, "brake": [(20.0, 22.0)]}, {"siren": planned("horn")}, end_s=24, observed=seen)
    deaf = replace(one, plan=replace(one.plan, controller=Controller(node="Box")))
    assert deaf.checkup.verdict == "proven"
    assert deaf.checkup.result.causes == ()


def test_failures_stand_before_warnings_and_notes_and_safety_items_first() -> None:
    outputs = {
        "fan": planned("brake", []),
        "siren": planned("horn", [], safety="horn"),
        "radio": planned("horn"),
    }
    findings = job({"horn": HORN, "brake": HORN}, outputs, end_s=24).checkup.result.findings
    order = [(["failure", "warning", "note"].index(each.severity), not each.safety) for each in findings]
    assert order == sorted(order)
    assert findings[0].subject[0] == "siren"
    assert {each.severity for each in findings} == {"failure", "warning", "note"}


@pytest.mark.parametrize(
    ("made", "cause", "scope", "subject"),
    [
        (without_frames(GOOD), "no-traffic", "bus", ()),
        (
            without_message(without_message(GOOD, "SirenState"), "LampState"),
            "controller-silent",
            "controller",
            ("Box",),
        ),
        (without_message(GOOD, "Horn"), "message-missing", "bus", ("Horn",)),
    ],
)
def test_what_is_absent_is_named_as_a_cause(made: Job, cause: str, scope: str, subject: tuple[str, ...]) -> None:
    causes = made.checkup.result.causes
    likely = [(each.cause, each.scope, each.subject) for each in causes if each.probability > 0.5]
    assert likely == [(cause, scope, subject)]
    assert causes[0].because
    assert causes[0].next_test


def test_the_library_takes_one_recording_or_a_list_of_one() -> None:
    one, listed = check(GOOD.plan, GOOD.trace), check(GOOD.plan, [GOOD.trace])
    assert one.to_dict() == listed.to_dict()


def test_times_count_from_the_first_frame() -> None:
    control = GOOD.checkup.result.controls["horn"]
    assert (control.exercises, control.first_s, control.last_s) == (3, 2.0, 8.0)
    assert GOOD.checkup.result.controls["brake"].first_s == 12.0
