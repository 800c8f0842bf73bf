"""Buses on which nothing gets through, and controllers that restart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canlens.database import Message
from canlens.plan import Bus, Plan, read_plan
from canlens.rehearsal import Rehearsal, rehearse
from canlens.rehearsal.batches import Batch
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.recorder import lone_sender
from canlens.signals import Signal, decode_signals
from canlens.trace import Kind, Trace
from canlens.wire import ErrorClass

PLAN = Path(__file__).parents[2] / "traces" / "quernholt.toml"
SEEDS = range(1, 13)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(PLAN)


def signal(plan: Plan, rehearsal: Rehearsal, path: str) -> Signal:
    found = plan.database.find(path)
    assert found is not None
    return decode_signals(rehearsal.trace, [found])[path]


def lone(plan: Plan, seed: int) -> Trace:
    message = Message("Request", 0x7DF, is_extended=False, length=2)
    batch = Batch(message, np.array([0.5]), np.array([[0x01, 0x00]], np.uint8), {})
    bus = replace(plan, bus=Bus(bit_rate=200_000))
    return lone_sender(bus, [batch], start_ns=0, end_s=2.0, draws=Draws(seed, "lone"))


def test_a_lone_sender_repeats_its_frame_as_in_a_published_log(plan: Plan) -> None:
    # github.com, candle-usb/candleLight_fw issue 179: 7DF#0100 at 200 kbit/s comes every 82 bits, 410 us
    heard = [trace for trace in (lone(plan, seed) for seed in SEEDS) if (trace.kind == Kind.DATA).any()]
    assert heard
    for trace in heard:
        frames = trace.where(trace.kind == Kind.DATA)
        assert set(frames.identifier.tolist()) == {0x7DF}
        assert np.diff(frames.time_ns) == pytest.approx(410_000, abs=1000)
        # Bosch CAN 2.0 (1991), part A 8: 16 x 8 = 128, from then on its error flag disturbs nobody
        assert (trace.kind == Kind.ERROR).sum() == 16


def test_the_adapter_of_a_lone_sender_reports_nothing_but_missing_acknowledges(plan: Plan) -> None:
    told = [trace for trace in (lone(plan, seed) for seed in SEEDS) if not (trace.kind == Kind.DATA).any()]
    assert told
    for trace in told:
        assert (trace.identifier & ErrorClass.NO_ACKNOWLEDGE).all()
        counts = trace.payload.first8[:, 6].tolist()
        assert counts[:16] == [8 * tries for tries in range(1, 17)]
        assert set(counts[16:]) == {136}  # never off the bus: same log, transmit errors 136
        assert not (trace.identifier & ErrorClass.BUS_OFF).any()
        period = np.diff(trace.time_ns)[16:]
        assert np.ptp(period) <= 1000
        assert period[0] % 410_000 < 1000 or 410_000 - period[0] % 410_000 < 1000


@pytest.mark.parametrize("seed", range(1, 6))
def test_nobody_acknowledges_one_sender_of_the_plan(plan: Plan, seed: int) -> None:
    trace = rehearse(plan, fault="nobody-acknowledges", seed=seed).trace
    assert len(trace) > 100
    assert len(np.unique(trace.identifier[trace.kind == Kind.DATA])) <= 1


def test_a_recorder_with_a_wrong_bit_rate_sees_only_errors(plan: Plan) -> None:
    rehearsal = rehearse(plan, fault="wrong-bit-rate", seed=3)
    assert rehearsal.truth.faults[0].subject == ()
    assert (rehearsal.trace.kind == Kind.ERROR).all()
    assert len(rehearsal.trace) > 1000
    assert (rehearsal.trace.payload.first8[:, 7] <= 128).all()


def test_a_controller_with_a_wrong_bit_rate_is_silent_and_breaks_what_others_send(plan: Plan) -> None:
    trace = rehearse(plan, fault="wrong-bit-rate:Hutbox", seed=3).trace
    assert not trace.is_extended.any()  # the controller's messages are the extended ones
    assert (trace.kind == Kind.DATA).sum() > 1000
    assert (trace.kind == Kind.ERROR).sum() > 100


def test_shorted_lines_are_silent_and_the_meter_says_why(plan: Plan) -> None:
    rehearsal = rehearse(plan, fault="lines-shorted", seed=3)
    assert len(rehearsal.trace) == 0
    assert rehearsal.readings.values["h_l_ohm"].value < 2.0
    assert rehearsal.readings.values["h_v"].value == pytest.approx(2.5, abs=0.2)


def test_the_meter_tells_the_number_of_terminators(plan: Plan) -> None:
    # 120 ohm each, side by side: 120, 60, 40
    for fault, ohm in (("terminator-missing", 120.0), ("terminator-extra", 40.0), ("load-open", 60.0)):
        found = [rehearse(plan, fault=fault, seed=seed).readings.values["h_l_ohm"].value for seed in (1, 2, 3)]
        assert found == pytest.approx([ohm] * 3, rel=0.05)


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_sagging_supply_restarts_the_controller_when_its_output_turns_on(plan: Plan, seed: int) -> None:
    rehearsal = rehearse(plan, fault="supply-sag:air_horn", seed=seed, strength=1.0)
    horn = signal(plan, rehearsal, "GripSwitches.Horn")
    alive = signal(plan, rehearsal, "HutboxState.BoxAlive")
    on_s = horn.time_s[1:][(horn.raw[1:] == 1) & (horn.raw[:-1] == 0)]
    steps = np.diff(alive.raw.astype(int)) % 256
    restarts_s = alive.time_s[1:][steps != 1]
    assert len(restarts_s) >= len(on_s) - 1
    assert (alive.raw[1:][steps != 1] == 0).all()  # it counts from the start again
    held = [(horn.time_s[row], horn.raw[row]) for row in range(len(horn.raw))]
    for time_s in restarts_s.tolist():
        state = [raw for at, raw in held if time_s - 2.5 < at <= time_s]
        assert 1 in state
    others = rehearsal.trace.with_identifier(0x0C4, is_extended=False).time_s
    assert np.diff(others).max() < 0.08  # the vehicle goes on


def test_the_strength_of_a_sag_shows_in_the_reported_supply(plan: Plan) -> None:
    def least(strength: float) -> float:
        found = [
            float(signal(plan, rehearsal, "HutboxVolts.SupplyVolts").value.min())
            for rehearsal in (
                rehearse(plan, fault="supply-sag:air_horn", seed=seed, strength=strength) for seed in range(1, 5)
            )
        ]
        return min(found)

    assert least(1.0) < least(0.0) < 11.5
