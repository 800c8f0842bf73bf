"""Cases of the checks on run-on, cut-off, level, flashing, currents and voltages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from tests.unit.check_cases import HORN, Cases, healthy
from tests.unit.small_jobs import Wave, answering, flashes, job, planned, presses, wave, without_message

if TYPE_CHECKING:
    from tests.unit.small_jobs import Job

ALL_DAY = [(2.0, 30.0)]


def run_on(after_s: float, *, end_s: float = 30) -> Job:
    """Return a job whose fan stays on so long after 4 s; planned are 10 s, a second either way."""
    state = wave([(2.125, 4 + after_s)], cycle_s=None)
    fan = planned("horn", state, run_on_s=10.0, run_on_tolerance_s=1.0, within_s=0.25)
    return job({"horn": [(2.0, 4.0)]}, {"fan": fan}, end_s=end_s)


def cut_off(after_s: float, *, hold_s: float = 28) -> Job:
    """Return a job whose fan is cut so long after 2 s, unless its rule ends; planned are 10 s, a second either way."""
    state = wave([(2.125, 2 + min(after_s, hold_s))], cycle_s=None)
    fan = planned("ignition", state, cut_after_s=10.0, cut_after_tolerance_s=1.0, within_s=0.25)
    return job({"ignition": [(2.0, 2.0 + hold_s)]}, {"fan": fan}, end_s=40)


def level(percent: int, *, hold_s: float = 5.0) -> Job:
    """Return a job whose lamp stands at a level; planned are 100 %, 5 either way."""
    spans = [(2.0, 2.0 + hold_s)]
    lamp = planned("ignition", spans, level=wave(spans, on=percent), level_day=100.0)
    return job({"ignition": spans}, {"lamp": lamp}, end_s=12)


def flashing(hz: float, *, wanted_hz: float = 4.0, hold_s: float = 4.0) -> Job:
    """Return a job whose lamp flashes while the horn sounds; half a hertz either way is planned."""
    horn = [(5.0, 5.0 + hold_s)]
    steps = [(2.05, 100)]
    if hz:
        steps += [step for on, off in flashes(horn, hz) for step in ((on, 100), (off, 0))]
        steps += [(5.0 + hold_s, 100)]
    lamp = planned(
        "ignition",
        answering(ALL_DAY),
        level=Wave([*steps, (30.05, 0)], cycle_s=0.03125),
        flash_when="horn",
        flash_hz=wanted_hz,
        flash_tolerance_hz=0.5,
    )
    return job({"ignition": ALL_DAY, "horn": horn}, {"lamp": lamp}, end_s=40)


def current(
    on: int, *, off: int = 0, horn: list[tuple[float, float]] = HORN, end_s: float = 12, volts: int = 130
) -> Job:
    """Return a job whose siren draws so many tenths of an ampere; its label says 10 A, its limits 12 A and 18 A."""
    amps = Wave([(0, off), *(step for a, b in horn for step in ((a + 0.05, on), (b + 0.05, off)))])
    siren = planned(
        "horn",
        answering(horn),
        current=amps,
        voltage=wave(answering(horn), on=volts),
        load_a=10.0,
        continuous_a=12.0,
        peak_a=18.0,
        peak_s=0.5,
    )
    return job({"horn": horn}, {"siren": siren}, end_s=end_s)


CASES = {
    "wrong-run-on": Cases(
        fires=lambda: run_on(5),
        subject=("fan",),
        messages=frozenset({"Horn"}),
        silent=lambda: run_on(10),
        limit=lambda: run_on(9),
        little=lambda: run_on(5, end_s=8),
    ),
    "wrong-cut-off": Cases(
        fires=lambda: cut_off(5),
        subject=("fan",),
        messages=frozenset({"Ignition"}),
        silent=lambda: cut_off(10),
        limit=lambda: cut_off(11.25),  # tolerance and answer time
        little=lambda: cut_off(10, hold_s=3),
    ),
    "wrong-level": Cases(
        fires=lambda: level(60),
        subject=("lamp",),
        messages=frozenset({"LampLevel"}),
        silent=lambda: level(100),
        limit=lambda: level(95),
        little=lambda: level(60, hold_s=0.3),
    ),
    "wrong-flashing": Cases(
        fires=lambda: flashing(2.0),
        subject=("lamp",),
        messages=frozenset({"LampLevel"}),
        silent=lambda: flashing(4.0),
        limit=lambda: flashing(4.0, wanted_hz=4.5),
        little=lambda: flashing(2.0, hold_s=0.5),
    ),
    "over-current": Cases(
        fires=lambda: current(181),
        subject=("siren",),
        messages=frozenset({"SirenAmps"}),
        silent=lambda: current(100),
        limit=lambda: current(120),
        little=lambda: without_message(current(181), "SirenAmps"),
    ),
    "dead-load": Cases(
        fires=lambda: current(0),
        subject=("siren",),
        messages=frozenset({"SirenAmps"}),
        silent=lambda: current(100),
        limit=lambda: current(10),
        little=lambda: current(0, horn=presses(3, hold_s=0.3)),
    ),
    "stray-current": Cases(
        fires=lambda: current(100, off=30),
        subject=("siren",),
        messages=frozenset({"SirenAmps"}),
        silent=lambda: current(100),
        limit=lambda: current(100, off=20),
        little=lambda: current(100, off=30, horn=[], end_s=0.3),
    ),
}


def test_a_run_on_finding_says_what_was_measured_and_planned() -> None:
    claim = run_on(5).findings("wrong-run-on")[0].claim
    assert "5.0 s" in claim
    assert "10 s" in claim


def test_a_plain_output_that_goes_off_late_is_a_wrong_run_on_of_none() -> None:
    one = job({"horn": HORN}, {"siren": planned("horn", answering(HORN, run_on_s=1.0))}, end_s=12)
    assert "at once" in one.findings("wrong-run-on")[0].claim


def test_a_cut_off_that_never_comes_is_a_stuck_output() -> None:
    one = cut_off(99)
    assert one.findings("wrong-cut-off") == []
    assert "10 s" in one.findings("stuck-output")[0].claim


def test_a_lamp_that_does_not_flash_is_said_not_to() -> None:
    assert "does not flash" in flashing(0.0).findings("wrong-flashing")[0].claim


def test_a_missing_voltage_is_called_one() -> None:
    one = current(100, volts=0)
    assert "no voltage" in one.findings("dead-load")[0].claim
    assert {one.message_of(line) for line in one.findings("dead-load")[0].evidence.lines} == {"SirenVolts"}


@pytest.mark.parametrize(("amps", "fires"), [(120, False), (121, True)])
def test_a_current_above_the_continuous_limit_for_longer_than_the_peak_time_is_over(amps: int, fires: bool) -> None:  # noqa: FBT001
    assert bool(current(amps).findings("over-current")) == fires


def test_an_inrush_shorter_than_the_peak_time_is_allowed() -> None:
    spans = [(start + 0.05, start + 0.35) for start, _ in HORN]
    steps = [step for a, b in spans for step in ((a, 170), (b, 100), (b + 0.7, 0))]
    limits: dict[str, Any] = {"load_a": 10.0, "continuous_a": 12.0, "peak_a": 18.0, "peak_s": 0.5}
    one = job({"horn": HORN}, {"siren": planned("horn", answering(HORN), current=Wave(steps), **limits)}, end_s=12)
    assert one.findings("over-current") == []


def test_the_healthy_job_has_none_of_these_parts() -> None:
    assert all(
        own.load is None and own.flash is None and own.day is None for own in healthy().evidence.outputs.values()
    )
