"""Drawn installs: no two alike, what is written reads back as it was, and each is well exercised."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.errors import UsageError
from canlens.plan import read_marks, read_observed, read_plan, read_readings
from canlens.readers import read_trace
from canlens.rehearsal import FAULTS, candump_text
from canlens.rehearsal.written_rehearsal import rehearsal_files
from canlens.signals import decode_signals
from canlens.trace import Kind
from tests.drawn import draw_bus, draw_install, draw_plan
from tests.drawn.files import database_text, plan_text

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.plan import Plan
    from canlens.trace import Trace

SEEDS = range(1, 31)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_drawn_plan_reads_back_as_it_was_written(seed: int, tmp_path: Path) -> None:
    plan, _ = draw_plan(seed)
    (tmp_path / "drawn.dbc").write_text(database_text(plan.database), encoding="utf-8")
    (tmp_path / "plan.toml").write_text(plan_text(plan, database="drawn.dbc"), encoding="utf-8")
    again = read_plan(tmp_path / "plan.toml")
    assert again.database.problems == ()
    assert again.database.messages == plan.database.messages
    assert set(again.database.nodes) == set(plan.database.nodes)
    assert replace(again, file="", database=plan.database) == plan


@pytest.mark.parametrize("seed", SEEDS)
def test_no_two_signals_of_a_message_overlap_and_all_fit(seed: int) -> None:
    plan, hidden = draw_plan(seed)
    for message in (*plan.database.messages, *hidden):
        taken = 0
        for signal in message.signals:
            assert not taken & signal.bits, message
            taken |= signal.bits
            assert signal.needed_length <= message.length
        assert 1 <= message.length <= 8
    keys = [(one.identifier, one.is_extended) for one in (*plan.database.messages, *hidden)]
    assert len(set(keys)) == len(keys)


def plans() -> list[Plan]:
    return [draw_plan(seed)[0] for seed in range(1, 121)]


def test_plans_show_every_kind_of_control_rule_and_output() -> None:
    drawn = plans()
    conditions = [control.condition for plan in drawn for control in plan.controls.values()]
    for key in ("on_values", "on_raw", "above", "below", "unknown"):
        assert any(getattr(one, key) not in {None, ()} for one in conditions), key
    outputs = [output for plan in drawn for output in plan.outputs.values()]
    for key in ("run_on_s", "cut_after_s", "level_day", "level_night", "flash_hz", "current", "voltage"):
        share = sum(getattr(one, key) is not None for one in outputs) / len(outputs)
        assert share > 0.02, key
    assert {len(output.when.controls) for output in outputs} == {1, 2, 3}
    assert any("not" in str(output.when) for output in outputs)
    assert any(control.noticed is not None for plan in drawn for control in plan.controls.values())
    cycles = {message.cycle_time_s for plan in drawn for message in plan.database.messages}
    assert None in cycles
    names = {signal.name for plan in drawn for message in plan.database.messages for signal in message.signals}
    assert {"Checksum", "MessageCrc", "AliveCounter", "RollingCount"} <= names


@pytest.mark.parametrize("seed", range(1, 5))
def test_counters_count_and_checksums_are_right_on_a_drawn_bus(seed: int) -> None:
    drawn = draw_install(seed, sporadic=0.0)
    checked = 0
    for message in drawn.plan.database.messages:
        frames = drawn.rehearsal.trace.with_identifier(message.identifier, is_extended=message.is_extended)
        for definition in message.signals:
            found = decode_signals(frames, [(message, definition)])[f"{message.name}.{definition.name}"]
            if definition.name in {"AliveCounter", "RollingCount", "FrameCounter", "SequenceNumber"}:
                steps = np.mod(np.diff(np.asarray(found.raw, np.int64)), 1 << definition.length)
                assert set(steps.tolist()) <= {1}
                checked += 1
            if definition.name == "Checksum":
                payload = frames.payload.first8[:, : message.length]
                assert not np.bitwise_xor.reduce(payload, axis=1).any()  # with its own byte it cancels
                checked += 1
    assert checked


@pytest.mark.parametrize("seed", range(1, 5))
def test_every_control_is_exercised_and_noted(seed: int) -> None:
    drawn = draw_install(seed)
    start_s = drawn.rehearsal.trace.start_ns / 1e9
    for name, control in drawn.plan.controls.items():
        marks = [mark for mark in drawn.rehearsal.marks if mark.label == name]
        assert len(marks) >= (control.min_exercises or drawn.plan.min_exercises)
        assert all(mark.time_s > start_s - 1.0 for mark in marks)
    assert set(drawn.rehearsal.truth.rules) == set(drawn.plan.outputs)
    assert _keys(drawn.rehearsal.trace) <= set(drawn.nodes)


def _keys(trace: Trace) -> set[tuple[int, bool]]:
    frames = trace.where(trace.kind == Kind.DATA)
    return set(zip(frames.identifier.tolist(), frames.is_extended.tolist(), strict=True))


def test_a_faulty_and_a_healthy_install_of_one_seed_have_the_same_plan_and_exercises() -> None:
    healthy, faulty = draw_install(3), draw_install(3, fault="output-not-commanded")
    assert faulty.plan == healthy.plan
    assert faulty.rehearsal.marks == healthy.rehearsal.marks
    assert candump_text(draw_install(3).rehearsal.trace) == candump_text(healthy.rehearsal.trace)


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_every_fault_can_be_drawn_into_some_bus(fault: str) -> None:
    for seed in range(1, 40):
        try:
            drawn = draw_bus(seed, 6.0, fault=fault)
        except UsageError:
            continue
        assert [one.cause for one in drawn.truth.faults] == [fault]
        return
    pytest.fail(f"no bus of these seeds can have {fault}")


def test_the_files_of_a_rehearsal_read_back(tmp_path: Path) -> None:
    drawn = draw_install(9, fault="terminator-missing")
    for name, text in rehearsal_files(drawn.rehearsal).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    trace = read_trace(tmp_path / "recording.log")
    assert trace.problem_count == 0
    assert np.array_equal(trace.time_ns, drawn.rehearsal.trace.time_ns)
    assert np.array_equal(trace.identifier, drawn.rehearsal.trace.identifier)
    assert np.array_equal(trace.kind, drawn.rehearsal.trace.kind)
    assert np.array_equal(trace.payload.first8, drawn.rehearsal.trace.payload.first8)
    read = [(mark.time_s, mark.label, mark.until_s) for mark in read_marks(tmp_path / "marks.csv")]
    assert read == [(mark.time_s, mark.label, mark.until_s) for mark in drawn.rehearsal.marks]
    readings = read_readings(tmp_path / "readings.toml")
    assert {name: one.value for name, one in readings.values.items()} == {
        name: one.value for name, one in drawn.rehearsal.readings.values.items()
    }
    assert not (tmp_path / "observed.csv").exists()


def test_observations_read_back(tmp_path: Path) -> None:
    drawn = draw_install(5, blind=True)
    (blind,) = [name for name, output in drawn.plan.outputs.items() if output.command is None]
    assert {one.output for one in drawn.rehearsal.observed} == {blind}
    (tmp_path / "observed.csv").write_text(rehearsal_files(drawn.rehearsal)["observed.csv"], encoding="utf-8")
    again = read_observed(tmp_path / "observed.csv")
    assert [(one.time_s, one.output, one.on) for one in again] == [
        (one.time_s, one.output, one.on) for one in drawn.rehearsal.observed
    ]
