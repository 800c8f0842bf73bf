"""Cases of the checks on errors, bit rate and readings."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.checks import of_bus
from canlens.plan import Bus, Reading, Readings
from canlens.trace import Source
from tests.reference.bit_by_bit import Frame
from tests.unit.check_cases import Cases, healthy
from tests.unit.error_logs import Record, error_trace, with_records, without_pauses
from tests.unit.small_jobs import without_frames

if TYPE_CHECKING:
    from tests.unit.small_jobs import Job

STUFF_ERROR = "0000040A00000000"
NO_DETAIL = "0000000000000000"


def broken(*records: Record) -> Job:
    """Return a healthy job with error records in its recording."""
    one = healthy()
    return replace(one, trace=with_records(one.trace, records))


def lone(tries: int) -> Job:
    """Return a job in whose recording one node sends and nobody answers (candleLight_fw issue 179)."""
    records = [(number * 408e-6, 0x20, "000000000000887F") for number in range(tries)]
    return replace(healthy(), trace=error_trace(records))


def at_rate(given: int, *, true: int = 250_000, frames: int = 60) -> Job:
    """Return a job for which one bit rate is given, and the recording is of another."""
    draw = np.random.default_rng(3)
    sent = [Frame(int(draw.integers(0x7FF)), draw.bytes(int(draw.integers(9)))) for _ in range(frames)]
    one = healthy()
    return replace(one, plan=replace(one.plan, bus=Bus(bit_rate=given)), trace=without_pauses(sent, true))


def metered(value: float, *, name: str = "h_l_ohm", bit_rate: int = 500_000, source: Source | None = None) -> Job:
    """Return a healthy job with one reading of the meter."""
    one = healthy()
    trace = one.trace if source is None else replace(one.trace, source=source)
    plan = replace(one.plan, bus=Bus(bit_rate=bit_rate))
    return replace(one, plan=plan, trace=trace, readings=Readings("", {name: Reading(name, value)}))


def deaf() -> Job:
    """Return a healthy job recorded in a format without a place for errors."""
    one = healthy()
    return replace(one, trace=replace(one.trace, source=Source(format="trc", can_hold_errors=False)))


THREE = [(2.3, 0x88, STUFF_ERROR), (5.3, 0x88, STUFF_ERROR), (8.3, 0x88, STUFF_ERROR)]

CASES = {
    "error-episodes": Cases(
        fires=lambda: broken(*THREE),
        subject=(),
        limit=lambda: broken((2.3, 0x204, "0000000000005F00")),  # 95, one below the warning limit
        little=lambda: broken((2.3, 0x02, "0500000000000000")),  # arbitration lost: that is no error
    ),
    "unacknowledged-sender": Cases(
        fires=lambda: lone(40), subject=(), limit=lambda: lone(16), limit_fires=True, little=lambda: lone(15)
    ),
    "bus-off": Cases(
        fires=lambda: broken((2.3, 0x40, NO_DETAIL)),
        subject=(),
        limit=lambda: broken((2.3, 0x204, "002000000000FF00")),  # 255, one below bus-off
        little=lambda: without_frames(healthy()),
    ),
    "contradicted-bit-rate": Cases(
        fires=lambda: at_rate(500_000),
        subject=(),
        limit=lambda: at_rate(245_100),  # 2 % off: half a percent each for sender and recorder, and as much again
        little=lambda: at_rate(500_000, frames=3),
    ),
    "odd-reading": Cases(fires=lambda: metered(118), subject=("h_l_ohm",), limit=lambda: metered(69), little=healthy),
    "unrecorded-errors": Cases(
        fires=deaf,
        subject=(),
        limit=lambda: metered(118, source=Source(format="candump")),
        limit_fires=True,
        little=lambda: without_frames(deaf()),
    ),
}


@pytest.mark.parametrize(
    ("records", "severity"),
    [
        (THREE, "failure"),  # of 1924 frames one in 641
        (THREE[:1], "note"),
        ([(2.3, 0x204, "0008000000006000")], "warning"),  # TEC 96
    ],
)
def test_errors_are_as_grave_as_they_are_frequent(records: list[Record], severity: str) -> None:
    assert [each.severity for each in broken(*records).findings("error-episodes")] == [severity]


@pytest.mark.parametrize(("frames", "found"), [(9_999, 1), (10_000, 0)])
def test_a_stray_error_in_ten_thousand_frames_is_left_to_the_ledger(frames: int, found: int) -> None:
    evidence = broken(THREE[0]).evidence.bus_evidence
    assert evidence.errors is not None
    many = replace(evidence, errors=replace(evidence.errors, good_frames=frames))
    assert len(list(of_bus.error_episodes(many))) == found


def test_a_failure_of_the_bus_does_not_fail_an_output_that_works() -> None:
    checkup = broken(*THREE).checkup
    assert checkup.verdict == "proven"
    assert any(each.check == "error-episodes" for each in checkup.result.findings)


def test_the_kind_and_place_of_the_errors_are_named() -> None:
    claim = broken(*THREE).findings("error-episodes")[0].claim
    assert claim.startswith("3 error episodes beside")
    assert "mostly stuff error, payload" in claim
    assert "record until there are 5" in claim


def test_a_lone_sender_is_told_once_and_not_as_errors_too() -> None:
    one = lone(40)
    assert one.findings("error-episodes") == []
    found = one.findings("unacknowledged-sender")[0]
    assert "one every 408 µs" in found.claim
    assert "reaches 136" in found.claim


def test_a_given_bit_rate_lower_than_the_true_one_shows_too() -> None:
    found = at_rate(125_000, true=500_000).findings("contradicted-bit-rate")
    assert found[0].claim.startswith("Given are 125 kbit/s, the stamps say 500")


def test_the_recorder_came_back_after_bus_off() -> None:
    claim = broken((2.3, 0x40, NO_DETAIL), (2.5, 0x100, NO_DETAIL)).findings("bus-off")[0].claim
    assert claim == "The recording node was bus-off once, first at 2.300 s, back after 0.200 s the last time."


def test_meter_and_log_stand_in_one_finding() -> None:
    claim = metered(118).findings("odd-reading")[0].claim
    assert "only one terminator is seen" in claim
    assert "A bus can run like this without any error" in claim


def test_a_slow_bus_is_asked_about() -> None:
    found = metered(500, bit_rate=125_000).findings("odd-reading")
    assert [each.severity for each in found] == ["note"]
    assert "which kind of bus is it?" in found[0].claim
