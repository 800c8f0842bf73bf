"""Marked: marks that lie in several recordings of a job belong to one of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checkup import check
from canlens.plan import Mark
from tests.unit.small_jobs import NS, START_NS, Job, answering, job, planned, presses

if TYPE_CHECKING:
    from canlens.results.check import CheckResult

HORN, BRAKE = presses(3), presses(3, first_s=14)


def part(*, horn: bool, brake: bool, start_ns: int = START_NS) -> Job:
    """Return a recording of 30 s in which one of two controls was operated, or both."""
    pressed = {"horn": HORN if horn else [], "brake": BRAKE if brake else []}
    outputs = {
        "siren": planned("horn", answering(pressed["horn"])),
        "lamp": planned("brake", answering(pressed["brake"])),
    }
    return job(pressed, outputs, end_s=30, start_ns=start_ns)


def checked(parts: list[Job], marks: list[Mark]) -> CheckResult:
    return check(parts[0].plan, [each.trace for each in parts], marks=marks).result


def noted(spans: list[tuple[float, float]], label: str, *, since_s: float = 0.0) -> list[Mark]:
    return [Mark(start + since_s, label) for start, _ in spans]


def test_marks_that_count_from_the_first_frame_belong_to_the_recording_that_they_fit() -> None:
    parts = [part(horn=False, brake=True), part(horn=True, brake=False, start_ns=START_NS + 3600 * NS)]
    found = checked(parts, noted(HORN, "horn"))
    assert found.verdict == "proven"
    assert found.causes == ()
    assert found.controls["horn"].marked == 3


def test_marks_by_the_clock_belong_to_each_recording_in_which_they_lie() -> None:
    parts = [part(horn=False, brake=True), part(horn=True, brake=False, start_ns=START_NS + 3600 * NS)]
    start_s = START_NS / NS
    marks = [*noted(BRAKE, "brake", since_s=start_s), *noted(HORN, "horn", since_s=start_s + 3600)]
    found = checked(parts, marks)
    assert found.verdict == "proven"
    assert {name: each.marked for name, each in found.controls.items()} == {"horn": 3, "brake": 3}


def test_a_control_that_is_dead_where_the_marks_belong_is_still_found() -> None:
    parts = [part(horn=False, brake=False), part(horn=False, brake=True, start_ns=START_NS + 3600 * NS)]
    found = checked(parts, [*noted(HORN, "horn"), *noted(BRAKE, "brake")])
    assert found.causes[0].cause == "control-never-changes"
    assert found.causes[0].subject == ("horn",)
