"""The exercise that is drawn proves all that a plan says."""

from __future__ import annotations

from itertools import combinations

import pytest

from canlens.database import Database, Message, SignalDefinition
from canlens.plan import Bus, Condition, Control, Output, Plan, SignalReference
from canlens.plan.rule import parse_rule
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.output_model import rule_timeline
from canlens.rehearsal.person import Schedule, draw_schedule

NAMES = ("horn", "front", "rear", "key", "dusk", "arm")
MESSAGE = Message("Keys", 0x123, False, 1, cycle_time_s=0.05)
RULES = {
    "siren": "horn and not arm",
    "stop": "front or rear",
    "radio": "key",
    "lamp": "key and arm",
    "beacon": "(front or horn) and arm and key",
}


def plan_of(*, ignition: str | None = "key") -> Plan:
    definition = SignalDefinition("Any", 0, 1)
    condition = Condition(SignalReference("Keys.Any", MESSAGE, definition))
    controls = {name: Control(name, condition, min_exercises=1 if name == "key" else 3) for name in NAMES}
    outputs = {name: Output(name, parse_rule(text, NAMES), command=condition) for name, text in RULES.items()}
    outputs["radio"] = Output(
        "radio", parse_rule("key", NAMES), run_on_s=8.0, cut_after_s=60.0, night="dusk", level_night=30.0
    )
    bus = Bus(awake_while=ignition, quiet_after_s=20.0)
    return Plan("test", "", Database(), controls, outputs, bus=bus)


def states(schedule: Schedule, text: str) -> list[tuple[float, float]]:
    controls = {name: schedule.wanted(name) for name in NAMES}
    return rule_timeline(parse_rule(text, NAMES), controls).spans(schedule.end_s)


@pytest.mark.parametrize("seed", range(8))
def test_every_control_is_exercised_often_enough_and_every_rule_comes_on(seed: int) -> None:
    schedule = draw_schedule(plan_of(), Draws(seed, "schedule"))
    for name in NAMES:
        assert len(schedule.wanted(name).spans(schedule.end_s)) >= (1 if name == "key" else 3)
    for text in RULES.values():
        assert len(states(schedule, text)) >= (1 if text == "key" else 3), text


@pytest.mark.parametrize("seed", range(8))
def test_every_two_rules_differ_for_long_enough_to_be_told_apart(seed: int) -> None:
    schedule = draw_schedule(plan_of(), Draws(seed, "schedule"))
    plan = plan_of()
    least_s = max(output.within_s for output in plan.outputs.values()) + 0.05
    for one, other in combinations(RULES.values(), 2):
        apart = states(schedule, f"({one}) and not ({other}) or ({other}) and not ({one})")
        assert max(end - start for start, end in apart) > least_s, (one, other)


@pytest.mark.parametrize("seed", range(8))
def test_timers_are_seen_to_their_end_and_the_bus_sleeps_in_time(seed: int) -> None:
    schedule = draw_schedule(plan_of(), Draws(seed, "schedule"))
    ((start, end),) = schedule.wanted("key").spans(schedule.end_s)
    assert end - start > 60.0 + 1.0
    assert 8.0 + 1.0 < schedule.end_s - end <= 20.0
    assert schedule.awake == ((0.0, schedule.end_s),)
    for operation in schedule.operations:
        assert 0.0 < operation.start_s < operation.end_s <= end


def test_the_two_ways_of_one_pause_are_never_equal() -> None:
    schedule = draw_schedule(plan_of(), Draws(3, "schedule"))
    pauses = [b - a for (_, a), (b, _) in combinations(schedule.wanted("horn").spans(999.0), 2)]
    assert len({round(pause, 3) for pause in pauses}) == len(pauses)


def test_a_plan_without_ignition_is_awake_all_the_time() -> None:
    schedule = draw_schedule(plan_of(ignition=None), Draws(1, "schedule"))
    assert schedule.awake == ((0.0, schedule.end_s),)
    assert len(schedule.wanted("key").spans(schedule.end_s)) >= 1
