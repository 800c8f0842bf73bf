"""Rehearsed recordings compared: healthy ones with themselves, and with what was planted."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import compare
from canlens.errors import UsageError
from tests.drawn import draw_bus, draw_install

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.comparison import Comparison
    from canlens.results.compare import Change
    from tests.drawn import DrawnInstall


@pytest.mark.parametrize("seed", range(500, 504))
def test_a_rehearsed_recording_differs_from_itself_in_nothing(seed: int) -> None:
    drawn = draw_bus(seed, 30.0)
    assert not compare(drawn.trace, drawn.trace, plan=drawn.plan).result.changes


def test_the_two_halves_of_healthy_recordings_are_hardly_ever_flagged() -> None:
    flagged = []
    for seed in range(510, 530):
        drawn = draw_bus(seed, 130.0)
        halves = drawn.trace.between(0, 65), drawn.trace.between(65, 131)
        found = compare(*halves, plan=drawn.plan if seed % 2 else None, database=drawn.plan.database)
        flagged += [seed] * bool(found.result.changes)
    assert len(flagged) <= 3, flagged  # with a rate of 5 % more than three of twenty come once in 60 times


@pytest.mark.parametrize("seed", range(540, 544))
def test_a_node_that_vanished_is_found_whole(seed: int) -> None:
    drawn = draw_bus(seed, 60.0)
    node = drawn.nodes[min(drawn.nodes)]
    lost = [key for key, name in drawn.nodes.items() if name == node]
    trace = drawn.trace
    gone = np.zeros(len(trace), bool)
    for identifier, is_extended in lost:
        gone |= (trace.identifier == identifier) & (trace.is_extended == is_extended)
    found = compare(trace, trace.where(~gone), database=drawn.plan.database)
    vanished = {each.subject[0] for each in found.result.changes if each.change == "identifier-vanished"}
    assert vanished == {f"0x{identifier:x}" for identifier, _ in lost}


@pytest.mark.parametrize(
    "fault", ["output-follows-other-control", "outputs-swapped", "output-not-commanded", "output-always-on"]
)
def test_a_rule_that_changed_is_found(fault: str) -> None:
    seen = 0
    for seed in range(560, 564):
        try:
            faulty = draw_install(seed, fault=fault)
        except UsageError:  # this install has nothing that the fault could concern
            continue
        healthy = draw_install(seed)
        found = compare(healthy.rehearsal.trace, faulty.rehearsal.trace, plan=healthy.plan)
        planted = {
            name for name in faulty.rehearsal.truth.faults[0].subject if healthy.plan.outputs[name].command is not None
        }
        rules = {each.subject[0] for each in found.result.changes if each.change == "rule"}
        assert planted <= rules
        assert found.verdict != "no-change-seen"
        seen += bool(planted)
    assert seen


@pytest.mark.parametrize("fault", ["terminator-missing", "node-intermittent", "duplicate-identifier"])
def test_without_a_plan_the_cause_on_the_bus_is_named(fault: str) -> None:
    healthy, faulty = draw_bus(801, 65.0), draw_bus(801, 65.0, fault=fault)
    found = compare(healthy.trace, faulty.trace, database=healthy.plan.database)
    assert found.verdict in {"worse", "changed"}
    first = found.result.causes[0]
    assert (first.cause, first.subject) == (fault, faulty.truth.faults[0].subject)


def test_a_cause_that_was_there_before_explains_no_change() -> None:
    drawn = draw_bus(801, 130.0, fault="terminator-missing")
    halves = [drawn.trace.between(0, 65), drawn.trace.between(65, 130)]
    gone = halves[1].where(halves[1].identifier != halves[1].identifier[0])
    found = compare(halves[0], gone, database=drawn.plan.database)
    assert "identifier-vanished" in {each.change for each in found.result.changes}
    assert "terminator-missing" not in {each.cause for each in found.result.causes}


def _planted(fault: str, seeds: range) -> Iterator[tuple[DrawnInstall, Comparison, Comparison]]:
    """Compare each install that can have a fault without it and with it, both ways round."""
    for seed in seeds:
        try:
            faulty = draw_install(seed, fault=fault)
        except UsageError:  # this install has nothing that the fault could concern
            continue
        healthy = draw_install(seed)
        one, other = healthy.rehearsal.trace, faulty.rehearsal.trace
        yield faulty, compare(one, other, plan=healthy.plan), compare(other, one, plan=healthy.plan)


def _of_kind(comparison: Comparison, kind: str) -> list[Change]:
    return [each for each in comparison.result.changes if each.change == kind]


def test_a_bus_that_stays_awake_after_the_change_is_worse_and_one_that_sleeps_again_better() -> None:
    found = list(_planted("bus-stays-awake", range(600, 602)))
    assert found
    for install, harmed, mended in found:
        (change,), (back,) = _of_kind(harmed, "quiet"), _of_kind(mended, "quiet")
        assert isinstance(change.before, float)
        assert isinstance(change.after, float)
        assert install.plan.bus.quiet_after_s is not None
        assert change.before <= install.plan.bus.quiet_after_s < change.after
        assert (change.direction, back.direction) == ("worse", "better")
        assert (back.before, back.after) == (change.after, change.before)


def test_answers_that_come_late_after_the_change_are_found_with_their_latency() -> None:
    found = list(_planted("answer-late", range(600, 602)))
    assert found
    for install, harmed, mended in found:
        name = install.rehearsal.truth.faults[0].subject[0]
        (change,), (back,) = _of_kind(harmed, "latency"), _of_kind(mended, "latency")
        assert change.subject == back.subject == (name,)
        assert isinstance(change.after, float)
        assert change.after > install.plan.outputs[name].within_s
        assert (change.direction, back.direction) == ("worse", "better")


def test_a_supply_that_sags_after_the_change_is_found() -> None:
    found = list(_planted("supply-sag", range(600, 602)))
    assert found
    for install, harmed, mended in found:
        assert install.plan.controller.supply is not None
        changes, back = _of_kind(harmed, "supply"), _of_kind(mended, "supply")
        assert {each.subject for each in changes} == {(install.plan.controller.supply.path,)}
        assert {each.direction for each in changes} == {"worse"}
        assert {each.direction for each in back} == {"better"}


@pytest.mark.parametrize("seed", range(610, 612))
def test_the_same_bring_up_done_again_changes_no_output(seed: int) -> None:
    drawn = draw_install(seed)
    trace = drawn.rehearsal.trace
    shifted = replace(trace, time_ns=trace.time_ns + 3_600_000_000_000)
    assert not compare(trace, shifted, plan=drawn.plan).result.changes


@pytest.mark.parametrize(("fault", "kind"), [("run-on-differs", "run-on"), ("cut-off-differs", "cut-off")])
def test_a_timer_that_changed_is_found_with_its_times(fault: str, kind: str) -> None:
    seen = 0
    for seed in range(900, 912):
        try:
            faulty = draw_install(seed, fault=fault)
        except UsageError:  # no output of this install has such a timer
            continue
        healthy = draw_install(seed)
        (name,) = faulty.rehearsal.truth.faults[0].subject
        if healthy.plan.outputs[name].command is None:
            continue
        harmed = compare(healthy.rehearsal.trace, faulty.rehearsal.trace, plan=healthy.plan).result
        mended = compare(faulty.rehearsal.trace, healthy.rehearsal.trace, plan=healthy.plan).result
        for found, direction in ((harmed, "worse"), (mended, "better")):
            changed = {each.subject[0]: each for each in found.changes if each.change == kind}
            assert set(changed) == {name}
            assert changed[name].direction == direction
        planned_s = healthy.plan.outputs[name].run_on_s if kind == "run-on" else healthy.plan.outputs[name].cut_after_s
        assert changed[name].after == pytest.approx(planned_s, abs=0.6)
        seen += 1
    assert seen >= 2
