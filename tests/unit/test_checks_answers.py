"""Cases of the checks that ask whether an output follows its rule, and only its rule."""

from __future__ import annotations

import pytest

from tests.unit.check_cases import HORN, Cases, healthy
from tests.unit.small_jobs import Job, Wave, answering, job, planned, presses, wave

BRAKE = presses(3, first_s=12)


def siren(on: list[tuple[float, float]], *, horn: list[tuple[float, float]] = HORN, end_s: float = 12) -> Job:
    """Return a job whose siren does as given, sent on changes only, to be on within a quarter of a second."""
    state = wave(on, cycle_s=None)
    return job({"horn": horn}, {"siren": planned("horn", state, within_s=0.25)}, end_s=end_s)


def swapped(count: int) -> Job:
    """Return a job with two outputs exchanged, each control operated so often."""
    horn, brake = HORN[:count], BRAKE[:count]
    outputs = {"siren": planned("horn", answering(brake)), "lamp": planned("brake", answering(horn))}
    return job({"horn": horn, "brake": brake}, outputs, end_s=24)


def misrouted(count: int) -> Job:
    """Return a job with one output that follows the other control, each control operated so often."""
    horn, brake = HORN[:count], BRAKE[:count]
    return job({"horn": horn, "brake": brake}, {"siren": planned("horn", answering(brake))}, end_s=24)


def observed(*seen: tuple[float, bool]) -> Job:
    """Return a job whose siren is commanded on from 2 s to 6 s, and what was seen of it."""
    horn = [(2.0, 6.0)]
    notes = [(time_s, "siren", on) for time_s, on in seen]
    state = wave(horn, cycle_s=None)
    return job({"horn": horn}, {"siren": planned("horn", state)}, end_s=20, observed=notes)


def together(brake_longer_s: float, *, horn: list[tuple[float, float]] = HORN) -> Job:
    """Return a job in which the brake is held as long as the horn, or a little longer."""
    brake = [(start, stop + brake_longer_s) for start, stop in horn]
    state = wave(answering(horn), cycle_s=None)
    return job({"horn": horn, "brake": brake}, {"siren": planned("horn", state, within_s=0.25)}, end_s=12)


def fan(off_s: float, *, on_s: float = 2.05, silent: tuple[tuple[float, float], ...] = ()) -> Job:
    """Return a job whose fan goes off while the ignition is on from 2 s to 30 s."""
    ignition = Wave([(2, 1), (30, 0)], silent=silent)
    state = wave([(on_s, off_s)], cycle_s=None)
    return job({"ignition": ignition}, {"fan": planned("ignition", state, within_s=0.25)}, end_s=40)


def held(hold_s: float) -> Job:
    """Return a job with a dead siren whose message comes every 1/8 s, to be on within 1/4 s."""
    horn = presses(3, hold_s=hold_s)
    return job({"horn": horn}, {"siren": planned("horn", [], within_s=0.25)}, end_s=12, cycle_s=0.125)


CASES = {
    "unanswered-control": Cases(
        fires=lambda: siren([]),
        subject=("siren",),
        messages=frozenset({"Horn"}),
        limit=lambda: held(0.375),  # answer time and one interval: just long enough to count
        limit_fires=True,
        little=lambda: held(0.25),
    ),
    "late-answer": Cases(
        fires=lambda: siren(answering(HORN, delay_s=0.5)),
        subject=("siren",),
        messages=frozenset({"Horn"}),
        limit=lambda: siren(answering(HORN, delay_s=0.25)),
        little=lambda: siren(answering(HORN, delay_s=0.5), horn=presses(3, hold_s=0.1)),
    ),
    "unasked-output": Cases(
        fires=lambda: siren([*answering(HORN), (10.5, 11.0)]),
        subject=("siren",),
        messages=frozenset({"SirenState"}),
        limit=lambda: siren([(2.125, 3.125), (3.25, 3.5)], horn=[(2.0, 3.0)]),
        little=lambda: job(
            {"horn": Wave([], phase_s=1.0)},
            {"siren": planned("horn", wave([(1.2, 2.0)], cycle_s=None, phase_s=0.0))},
            end_s=9,
        ),
    ),
    "exchanged-outputs": Cases(
        fires=lambda: swapped(3),
        subject=("siren", "lamp"),
        messages=frozenset({"Horn", "SirenState", "Brake", "LampState"}),
        silent=lambda: misrouted(3),
        limit=lambda: swapped(2),
        limit_fires=True,
        little=lambda: swapped(1),
    ),
    "misrouted-output": Cases(
        fires=lambda: misrouted(3),
        subject=("siren",),
        messages=frozenset({"Horn", "SirenState"}),
        silent=lambda: swapped(3),
        limit=lambda: misrouted(2),
        limit_fires=True,
        little=lambda: misrouted(1),
    ),
    "stuck-output": Cases(
        fires=lambda: siren([(2.125, 90.0)], horn=[(2.0, 3.0)]),
        subject=("siren",),
        messages=frozenset({"Horn"}),
        limit=lambda: siren([(2.125, 90.0)], horn=[(2.0, 3.0)], end_s=3.25),
        little=lambda: siren([(2.125, 90.0)], horn=[(2.0, 3.0)], end_s=3.1),
    ),
    "dropped-output": Cases(
        fires=lambda: fan(10),
        subject=("fan",),
        messages=frozenset({"FanState"}),
        limit=lambda: fan(2.25, on_s=0.0),
        little=lambda: fan(10, silent=((8.0, 12.0),)),
    ),
    "contradicted-output": Cases(
        fires=lambda: observed((4.0, False), (15.0, True)),
        subject=("siren",),
        silent=lambda: observed((4.0, True), (15.0, False)),
        limit=lambda: observed((1.5, True), (6.5, True)),
        little=observed,
    ),
    "indistinct-rule": Cases(
        fires=lambda: together(0.0),
        subject=("siren",),
        messages=frozenset({"Horn"}),
        limit=lambda: together(0.25),
        limit_fires=True,
        silent=lambda: together(0.3),
        little=lambda: together(0.0, horn=[]),
    ),
}


def test_a_finding_of_exchanged_outputs_names_both_outputs_and_both_rules_once() -> None:
    found = swapped(3).findings("exchanged-outputs")
    assert [finding.subject for finding in found] == [("siren", "lamp")]
    assert "siren follows 'brake', lamp follows 'horn'" in found[0].claim
    assert not swapped(3).findings("misrouted-output")
    assert {each.consequence_of for each in swapped(3).findings("unanswered-control")} == {"exchanged-outputs"}


def test_a_finding_of_a_misrouted_output_names_the_rule_it_follows() -> None:
    found = misrouted(3).findings("misrouted-output")
    assert "'brake'" in found[0].claim
    assert {each.consequence_of for each in misrouted(3).findings("unasked-output")} == {"misrouted-output"}


def test_what_contradicts_names_the_lines_of_the_observations() -> None:
    found = observed((4.0, False), (9.0, False), (15.0, True)).findings("contradicted-output")
    assert found[0].evidence.lines == (2, 4)
    assert found[0].evidence.times_s == (4.0, 15.0)


def test_a_late_answer_says_how_late() -> None:
    assert "0.50 s" in siren(answering(HORN, delay_s=0.5)).findings("late-answer")[0].claim


def test_an_output_on_from_the_start_is_stuck() -> None:
    found = siren([(0.0, 90.0)], horn=[]).findings("stuck-output")
    assert len(found) == 1
    assert found[0].evidence.times_s == (0.0,)


@pytest.mark.parametrize("safety", ["horn", "stop-lamp", None])
def test_an_output_marked_as_a_safety_item_marks_its_findings(safety: str | None) -> None:
    one = job({"horn": HORN}, {"siren": planned("horn", [], safety=safety)}, end_s=12)
    found = one.findings("unanswered-control")
    assert found[0].safety == (safety is not None)
    assert found[0].caution


def test_a_finding_names_twenty_lines_at_most() -> None:
    horn = presses(30)
    one = job({"horn": horn}, {"siren": planned("horn", [])}, end_s=100)
    lines = one.findings("unanswered-control")[0].evidence.lines
    assert len(lines) == 20
    assert all(one.message_of(line) == "Horn" for line in lines)


def test_a_healthy_job_has_no_finding_at_all() -> None:
    assert healthy().checkup.result.findings == ()
