"""What a rehearsed recording shows: a bus as it should be, and each fault where it was built in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canlens.errors import UsageError
from canlens.plan import Condition, Plan, read_plan
from canlens.rehearsal import FAULTS, Rehearsal, candump_text, rehearse
from canlens.signals import Signal, decode_signals
from canlens.wire import INTERMISSION_BITS

PLAN = Path(__file__).parents[2] / "traces" / "quernholt.toml"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return read_plan(PLAN)


@pytest.fixture(scope="module")
def healthy(plan: Plan) -> Rehearsal:
    return rehearse(plan, seed=11)


def signal(plan: Plan, rehearsal: Rehearsal, path: str) -> Signal:
    found = plan.database.find(path)
    assert found is not None
    return decode_signals(rehearsal.trace, [found])[path]


def command(plan: Plan, rehearsal: Rehearsal, output: str) -> Signal:
    condition = plan.outputs[output].command
    assert isinstance(condition, Condition)
    return signal(plan, rehearsal, condition.reference.path)


def rises(one: Signal, *, above: float = 0.5) -> list[float]:
    on = one.value > above
    return [float(time) for time in one.time_s[1:][on[1:] & ~on[:-1]]]


def falls(one: Signal, *, above: float = 0.5) -> list[float]:
    on = one.value > above
    return [float(time) for time in one.time_s[1:][~on[1:] & on[:-1]]]


def answers(causes: list[float], effects: list[float], *, within_s: float) -> int:
    return sum(any(0.0 < effect - cause <= within_s for effect in effects) for cause in causes)


def test_frames_share_the_bus_and_no_frame_starts_before_the_one_before_has_ended(healthy: Rehearsal) -> None:
    # Bosch CAN 2.0 (1991), 3.1 and 3.2: three bits of intermission separate frames; stamps are ends of frames
    trace = healthy.trace
    least_ns = (trace.exact_bits()[1:] + INTERMISSION_BITS) * 8000  # 125 kbit/s
    gaps_ns = np.diff(trace.time_ns)
    assert (gaps_ns >= least_ns - 1000).all()  # stamps are cut to the microsecond
    assert (np.abs(gaps_ns - least_ns) <= 1000).sum() > len(trace) / 50  # some follow one another at once


def test_cyclic_messages_keep_their_declared_time(plan: Plan, healthy: Rehearsal) -> None:
    for message in plan.database.messages:
        times = healthy.trace.with_identifier(message.identifier, is_extended=message.is_extended).time_s
        if message.cycle_time_s:
            intervals = np.diff(times)
            assert np.median(intervals) == pytest.approx(message.cycle_time_s, rel=0.01), message.name
            assert intervals.max() < message.cycle_time_s + 0.02
        else:
            assert np.diff(times).max() < 1.01


def test_a_message_without_cycle_time_is_sent_when_its_key_changes(plan: Plan, healthy: Rehearsal) -> None:
    key = signal(plan, healthy, "PanelKeys.BeaconKey")
    marked = [mark for mark in healthy.marks if mark.label == "beacon_key"]
    assert len(rises(key)) == len(marked)
    for seen, mark in zip(rises(key), marked, strict=True):
        assert abs(seen + healthy.trace.start_ns / 1e9 - mark.time_s) < 0.5


def test_the_alive_counter_counts_every_frame(plan: Plan, healthy: Rehearsal) -> None:
    counter = signal(plan, healthy, "HutboxState.BoxAlive").raw.astype(np.int64)
    assert set(np.diff(counter) % 256) == {1}


def test_a_multiplexed_message_shows_all_its_pages(plan: Plan, healthy: Rehearsal) -> None:
    page = signal(plan, healthy, "HutboxInfo.InfoPage").raw
    assert set(page.tolist()) == {0, 1, 2}
    assert len(signal(plan, healthy, "HutboxInfo.BoardTemp")) == (page == 1).sum()


def test_a_healthy_install_answers_every_control_in_time(plan: Plan, healthy: Rehearsal) -> None:
    horn, air_horn = signal(plan, healthy, "GripSwitches.Horn"), command(plan, healthy, "air_horn")
    assert len(rises(horn)) >= 4
    assert answers(rises(horn), rises(air_horn), within_s=0.15) == len(rises(horn)) == len(rises(air_horn))
    key, radio = signal(plan, healthy, "VehicleState.KeyPosition"), command(plan, healthy, "hut_radio")
    assert falls(radio)[0] - falls(key)[0] == pytest.approx(12.0, abs=0.2)


def test_currents_and_supply_stay_within_what_the_plan_allows(plan: Plan, healthy: Rehearsal) -> None:
    for output in plan.outputs.values():
        assert output.current is not None
        current = signal(plan, healthy, output.current.path).value
        assert current.min() == 0.0
        assert (output.load_a or 0.0) * 0.95 < current.max() <= float(output.peak_a or output.continuous_a or 0.0)
    supply = signal(plan, healthy, "HutboxVolts.SupplyVolts").value
    assert 12.0 < supply.min() < 12.8
    assert 13.5 < supply.max() < 14.5


def test_the_bus_falls_silent_after_the_ignition(plan: Plan, healthy: Rehearsal) -> None:
    last_off = falls(signal(plan, healthy, "VehicleState.KeyPosition"))[-1]
    assert 13.0 < healthy.trace.duration_s - last_off <= 25.0


def test_the_same_seed_gives_the_same_bytes_and_another_one_does_not(plan: Plan, healthy: Rehearsal) -> None:
    assert candump_text(rehearse(plan, seed=11).trace) == candump_text(healthy.trace)
    assert candump_text(rehearse(plan, seed=12).trace) != candump_text(healthy.trace)


def test_a_fault_leaves_the_exercises_of_its_seed_as_they_are(plan: Plan, healthy: Rehearsal) -> None:
    faulty = rehearse(plan, fault="outputs-swapped", seed=11)
    assert faulty.marks == healthy.marks
    for path in ("GripSwitches.Horn", "BrakeLevers.FrontLever"):
        assert np.array_equal(signal(plan, faulty, path).raw, signal(plan, healthy, path).raw)


def test_foreign_messages_fill_the_bus_as_far_as_asked(plan: Plan) -> None:
    trace = rehearse(plan, seed=3, bus_load=0.5).trace
    load = (trace.exact_bits() + INTERMISSION_BITS).sum() / 125_000 / trace.duration_s
    assert 0.45 < load < 0.62


def test_no_traffic_is_an_empty_recording(plan: Plan) -> None:
    assert len(rehearse(plan, fault="no-traffic").trace) == 0


def test_a_silent_controller_sends_nothing_and_the_vehicle_goes_on(plan: Plan) -> None:
    trace = rehearse(plan, fault="controller-silent").trace
    assert not trace.is_extended.any()
    assert set(trace.identifier.tolist()) == {0x0C4, 0x0E0, 0x120, 0x1A2, 0x210, 0x2B0, 0x330}


def test_a_missing_message_is_missing_and_no_other(plan: Plan) -> None:
    trace = rehearse(plan, fault="message-missing:GripSwitches").trace
    assert 0x1A2 not in trace.identifier
    assert len(np.unique(trace.identifier)) == len(plan.database.messages) - 1


def test_a_control_that_never_changes_is_marked_all_the_same(plan: Plan) -> None:
    faulty = rehearse(plan, fault="control-never-changes:horn")
    assert set(signal(plan, faulty, "GripSwitches.Horn").raw.tolist()) == {0}
    assert sum(mark.label == "horn" for mark in faulty.marks) >= 4
    assert rises(command(plan, faulty, "air_horn")) == []


def test_swapped_outputs_answer_each_others_controls(plan: Plan) -> None:
    faulty = rehearse(plan, fault="outputs-swapped:stop_repeater,air_horn")
    horn = rises(signal(plan, faulty, "GripSwitches.Horn"))
    assert answers(horn, rises(command(plan, faulty, "stop_repeater")), within_s=0.3) == len(horn)
    assert faulty.truth.faults[0].subject == ("air_horn", "stop_repeater")
    assert faulty.truth.rules["air_horn"] == "brake_front or brake_rear"


def test_an_output_that_follows_another_control_says_so_in_the_truth(plan: Plan) -> None:
    faulty = rehearse(plan, fault="output-follows-other-control:air_horn", seed=4)
    other = faulty.truth.rules["air_horn"]
    assert other in plan.controls
    assert other != "horn"


def test_outputs_never_and_always_on(plan: Plan) -> None:
    never = rehearse(plan, fault="output-not-commanded:beacon")
    assert set(command(plan, never, "beacon").raw.tolist()) == {0}
    always = rehearse(plan, fault="output-always-on:beacon")
    assert set(command(plan, always, "beacon").raw.tolist()) == {1}
    assert (never.truth.rules["beacon"], always.truth.rules["beacon"]) == ("never", "always")


def test_a_late_answer_comes_after_its_time(plan: Plan) -> None:
    faulty = rehearse(plan, fault="answer-late:air_horn")
    horn, air_horn = rises(signal(plan, faulty, "GripSwitches.Horn")), rises(command(plan, faulty, "air_horn"))
    assert answers(horn, air_horn, within_s=0.35) == 0
    assert len(air_horn) >= len(horn) - 1


@pytest.mark.parametrize(
    ("fault", "output", "planned_s"),
    [("run-on-differs", "hut_radio", 12.0), ("cut-off-differs", "grip_heater", 45.0)],
)
def test_a_timer_that_differs_is_clearly_shorter_or_longer(
    plan: Plan, fault: str, output: str, planned_s: float
) -> None:
    ratios = []
    for seed in range(2, 8):
        faulty = rehearse(plan, fault=fault, seed=seed)
        key = signal(plan, faulty, "VehicleState.KeyPosition")
        start = falls(key)[0] if fault == "run-on-differs" else rises(key)[0]
        ended = [time for time in falls(command(plan, faulty, output)) if time > start]
        ratios.append(((ended[0] if ended else faulty.trace.duration_s) - start) / planned_s)
    assert all(ratio < 0.75 or ratio > 1.1 for ratio in ratios)
    assert min(ratios) < 0.75
    assert max(ratios) > 1.1


@pytest.mark.parametrize(("strength", "late_s"), [(0.0, 0.45), (1.0, 0.75)])
def test_the_strength_says_how_late_an_answer_is(plan: Plan, strength: float, late_s: float) -> None:
    faulty = rehearse(plan, fault="answer-late:air_horn", strength=strength)
    horn, air_horn = rises(signal(plan, faulty, "GripSwitches.Horn")), rises(command(plan, faulty, "air_horn"))
    waits = [min(effect - cause for effect in air_horn if effect > cause) for cause in horn]
    assert min(waits) == pytest.approx(late_s, abs=0.12)  # planned within 0.3 s, told every 0.05 s
    assert faulty.truth.faults[0].strength == strength


def test_a_level_that_differs_is_off_by_more_than_its_tolerance(plan: Plan) -> None:
    levels = signal(plan, rehearse(plan, fault="level-differs"), "HutboxState.Out5Level").value
    shown = set(levels[levels > 0].tolist())
    assert len(shown) == 2
    assert min(abs(max(shown) - 100.0), abs(min(shown) - 40.0)) <= 0.5
    assert max(abs(max(shown) - 100.0), abs(min(shown) - 40.0)) > 3.0


def test_a_flashing_that_differs_is_clearly_slower_or_faster(plan: Plan, healthy: Rehearsal) -> None:
    right = np.diff(rises(command(plan, healthy, "bed_lamp")))
    assert np.median(right[right < 2.0]) == pytest.approx(0.5, abs=0.02)  # 2 Hz as planned
    found = []
    for seed in range(10, 18):
        wrong = np.diff(rises(command(plan, rehearse(plan, fault="flash-differs", seed=seed), "bed_lamp")))
        found.append(float(np.median(wrong[wrong < 2.0])))
    assert all(period < 0.38 or period > 0.72 for period in found)
    assert min(found) < 0.5 < max(found)


def test_an_open_load_draws_nothing_while_its_output_is_on(plan: Plan) -> None:
    faulty = rehearse(plan, fault="load-open:beacon")
    assert signal(plan, faulty, "HutboxAmps.Out6Amps").value.max() == 0.0
    assert len(rises(command(plan, faulty, "beacon"))) >= 4
    assert signal(plan, faulty, "HutboxVolts.Out6Volts").value.max() > 12.0


def test_an_over_current_shows_and_ends_soon(plan: Plan) -> None:
    faulty = rehearse(plan, fault="load-over-current:beacon")
    current = signal(plan, faulty, "HutboxAmps.Out6Amps")
    up, down = rises(current, above=4.0), falls(current, above=4.0)
    assert len(up) >= 4
    assert max(end - start for start, end in zip(up, down, strict=True)) < 0.7


@pytest.mark.parametrize("seed", range(1, 8))
def test_outputs_that_the_bus_does_not_show_are_observed(plan: Plan, seed: int) -> None:
    blind = {name: replace(one, command=None, level=None) for name, one in plan.outputs.items()}
    told = rehearse(replace(plan, outputs=blind), seed=seed)
    horn = [mark for mark in told.marks if mark.label == "horn"]
    seen = [one for one in told.observed if one.output == "air_horn"]
    for mark in horn:
        assert mark.until_s is not None
        assert any(one.on and mark.time_s - 0.5 < one.time_s < mark.until_s + 0.5 for one in seen)
    for one in seen:
        near = any(mark.time_s - 0.5 < one.time_s < (mark.until_s or 0.0) + 0.5 for mark in horn)
        assert near or not one.on
    assert rehearse(plan, seed=seed).observed == ()


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_every_fault_of_the_table_can_be_drawn_and_is_told(plan: Plan, fault: str) -> None:
    (built,) = rehearse(plan, fault=fault, seed=7).truth.faults
    assert (built.cause, built.scope) == (fault, FAULTS[fault].scope)
    assert built.detail


def test_two_faults_do_not_fall_on_the_same_output(plan: Plan) -> None:
    for seed in range(6):
        faults = rehearse(plan, fault=["load-open", "answer-late"], seed=seed).truth.faults
        assert faults[0].subject != faults[1].subject


def test_wishes_that_cannot_be_met_are_refused_with_what_could_be(plan: Plan) -> None:
    with pytest.raises(UsageError, match="load-open"):
        rehearse(plan, fault="load-opn")
    with pytest.raises(UsageError, match="It can concern: hut_radio"):
        rehearse(plan, fault="run-on-differs:air_horn")
    plain = replace(plan, outputs={name: one for name, one in plan.outputs.items() if one.run_on_s is None})
    with pytest.raises(UsageError, match="nothing in this plan"):
        rehearse(plain, fault="run-on-differs")
    with pytest.raises(UsageError, match="seed -1"):
        rehearse(plan, seed=-1)
    with pytest.raises(UsageError, match="strength 2"):
        rehearse(plan, fault="load-open", strength=2.0)
    with pytest.raises(UsageError, match="2 strengths for 1 faults"):
        rehearse(plan, fault="load-open", strength=[0.1, 0.2])
    with pytest.raises(UsageError, match="bus load 2"):
        rehearse(plan, bus_load=2.0)
