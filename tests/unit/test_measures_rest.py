"""Rest: when the control that keeps the bus awake went off, and what came after it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canlens.plan import Bus
from tests.unit.small_jobs import Job, Wave, answering, job, planned, wave

IGNITION = [(1.0, 5.0)]


def standing(
    end_s: float = 12.0, *, ignition: list[tuple[float, float]] = IGNITION, allowed_s: float | None = 4.0
) -> Job:
    one = job({"ignition": ignition}, {"radio": planned("ignition", answering(ignition, run_on_s=2.0))}, end_s=end_s)
    return replace(one, plan=replace(one.plan, bus=Bus(awake_while="ignition", quiet_after_s=allowed_s)))


def test_the_end_of_the_control_and_the_last_change_of_an_output_are_told() -> None:
    quiet = standing().evidence.bus_evidence.quiet
    assert quiet is not None
    assert quiet.off_s == pytest.approx(5.0)
    assert quiet.last_change_s == pytest.approx(7.06, abs=0.05)
    assert len(quiet.too_late) > 0
    assert quiet.too_late.time_s.min() > 9.0


def test_frames_up_to_the_limit_are_not_too_late() -> None:
    quiet = standing(9.0).evidence.bus_evidence.quiet
    assert quiet is not None
    assert len(quiet.too_late) == 0


def test_a_control_that_is_on_at_the_end_did_not_go_off() -> None:
    quiet = standing(ignition=[(1.0, 2.0), (4.0, 20.0)]).evidence.bus_evidence.quiet
    assert quiet is not None
    assert (quiet.off_s, len(quiet.too_late)) == (None, 0)


def test_without_a_limit_nothing_is_too_late() -> None:
    quiet = standing(allowed_s=None).evidence.bus_evidence.quiet
    assert quiet is not None
    assert quiet.off_s == pytest.approx(5.0)
    assert len(quiet.too_late) == 0


def test_a_plan_without_such_a_control_tells_no_end() -> None:
    one = standing()
    quiet = replace(one, plan=replace(one.plan, bus=Bus())).evidence.bus_evidence.quiet
    assert quiet is not None
    assert quiet.off_s is None
    assert quiet.last is not None


@pytest.mark.parametrize(("may_wake", "is_late"), [(("door",), False), ((), True)])
def test_a_control_that_may_wake_the_bus_is_no_reason_to_complain(may_wake: tuple[str, ...], *, is_late: bool) -> None:
    radio = planned("ignition", answering(IGNITION))
    asleep = [(6.0, 20.0)]
    controls = {
        "ignition": Wave([(1.0, 1), (5.0, 0)], silent=asleep),
        "door": Wave([(20.0, 1), (22.0, 0)], silent=asleep),
    }
    one = job(controls, {"radio": replace(radio, on=wave(answering(IGNITION), silent=asleep))}, end_s=24.0)
    bus = Bus(awake_while="ignition", quiet_after_s=4.0, may_wake=may_wake)
    quiet = replace(one, plan=replace(one.plan, bus=bus)).evidence.bus_evidence.quiet
    assert quiet is not None
    assert (len(quiet.too_late) > 0) == is_late
