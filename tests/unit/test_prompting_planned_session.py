"""A session of a plan: rules, timers, levels, flashing and night are all there, whatever the plan looks like."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest

from canlens.database import Database, Message, SignalDefinition
from canlens.errors import UsageError
from canlens.plan import Bus, Condition, Control, Output, Plan, SignalReference
from canlens.plan.nouns import REST
from canlens.plan.rule import parse_rule
from canlens.prompting import Session, draw_planned_session
from canlens.rehearsal.needs import need_of
from canlens.reports.exercise_sheets import recorder_text, sheet_text
from tests.drawn import draw_install

NAMES = ("horn", "front", "rear", "key", "dusk", "arm")
CONDITION = Condition(SignalReference("Keys.Any", Message("Keys", 0x123, False, 1, cycle_time_s=0.05), SignalDefinition("Any", 0, 1)))  # fmt: skip  # noqa: E501


def plan_of(
    rules: dict[str, str], names: tuple[str, ...] = NAMES, *, ignition: str | None = "key", **bus: float
) -> Plan:
    controls = {name: Control(name, CONDITION, min_exercises=1 if name == ignition else None) for name in names}
    outputs = {name: Output(name, parse_rule(text, names), command=CONDITION) for name, text in rules.items()}
    return Plan("test", "", Database(), controls, outputs, bus=Bus(awake_while=ignition, **bus))  # type: ignore[arg-type]


def changed(plan: Plan, **outputs: dict[str, object]) -> Plan:
    """Return a plan with keys of some outputs changed."""
    own = {name: replace(plan.outputs[name], **keys) for name, keys in outputs.items()}  # type: ignore[arg-type]
    return replace(plan, outputs={**plan.outputs, **own})


def states(session: Session, *names: str) -> list[frozenset[str]]:
    """Return every setting of some controls, in order, as the marks make them."""
    edges = []
    for mark in session.marks:
        if mark.label in names:
            assert mark.until_s is not None
            edges += [(mark.time_s, 1, mark.label), (mark.until_s, 0, mark.label)]
    on: set[str] = set()
    seen = []
    for _, is_on, name in sorted(edges):
        on = on | {name} if is_on else on - {name}
        seen.append(frozenset(on))
    return seen


def sound(session: Session) -> None:
    """Check what holds of every session."""
    for one, other in pairwise(session.steps):
        assert one.end_s == other.start_s
    held: dict[str, float] = {}
    for mark in session.marks:
        assert mark.until_s is not None
        assert mark.until_s > mark.time_s
        if mark.label == REST:
            continue
        assert held.get(mark.label, 0.0) <= mark.time_s, "a control is operated while it is on"
        held[mark.label] = mark.until_s
    for rest in (mark for mark in session.marks if mark.label == REST):
        for mark in session.marks:
            if mark.label not in (REST, session.awake_while):
                assert mark.until_s is not None
                assert rest.until_s is not None
                assert mark.until_s <= rest.time_s or mark.time_s >= rest.until_s, "something is touched in a rest"
    for text in (sheet_text(session, judge="canlens check plan.toml"), recorder_text(session)):
        assert max(map(len, text.splitlines())) <= 80
    assert not session.steps[-1].held


@pytest.mark.parametrize("seed", range(5))
def test_every_control_is_exercised_often_enough_in_each_state_of_the_vehicle(seed: int) -> None:
    plan = draw_install(seed).plan
    session = draw_planned_session(plan, seed=seed)
    sound(session)
    ignition = plan.bus.awake_while
    for is_on in (False, True):
        labels = Counter(
            step.control or REST for step in session.steps if step.is_drawn and (ignition in step.held) == is_on
        )
        if is_on or ignition is not None:
            assert labels[REST] >= 1
            for name in set(plan.controls) - {ignition}:
                needed = [plan.exercises_needed(output, name) for output in plan.outputs.values()
                          if name in output.when.controls]  # fmt: skip
                assert labels[name] >= (max(needed, default=1) if is_on else 1)


def test_every_combination_of_a_rule_is_walked_twice() -> None:
    plan = plan_of({"siren": "horn and (front or not rear)"}, ("horn", "front", "rear"), ignition=None)
    session = draw_planned_session(plan)
    sound(session)
    walked = [step for step in session.steps if session.parts[step.part].title.startswith("Every combination")]
    on: set[str] = set()
    seen: Counter[frozenset[str]] = Counter()
    for step in walked:
        on = on | {step.control} if step.kind == "hold" else on - {step.control}
        seen[frozenset(on)] += 1
    assert len(seen) == 8
    assert set(seen.values()) == {2}


def test_night_flashing_and_timers_are_seen_to_their_end() -> None:
    plan = changed(
        plan_of({"lamp": "key", "siren": "horn", "heat": "arm"}, quiet_after_s=20.0),
        lamp={"night": "dusk", "level_night": 30.0, "flash_when": parse_rule("horn", NAMES), "flash_hz": 2.0},
        siren={"cut_after_s": 12.0, "cut_after_tolerance_s": 1.0},
        heat={"run_on_s": 30.0, "run_on_tolerance_s": 1.0},
    )
    session = draw_planned_session(plan)
    sound(session)
    assert {"dusk", "key"} in states(session, "dusk", "key")
    assert {"dusk", "key", "horn"} in states(session, "dusk", "key", "horn")
    assert max(mark.until_s - mark.time_s for mark in session.marks if mark.label == "horn" and mark.until_s) > 13
    arms = [mark for mark in session.marks if mark.label == "arm"]
    assert len(arms) >= 4
    for one, other in pairwise(arms):
        assert one.until_s is not None
        assert other.time_s - one.until_s > 31
    (key,) = [mark for mark in session.marks if mark.label == "key"]
    assert key.until_s is not None
    assert session.duration_s - key.until_s >= 25
    slow = [tally for tally in session.tallies if tally.control == "arm"]
    assert slow[0].exercises == 3


def test_an_output_that_works_with_the_vehicle_off_only_is_exercised_there() -> None:
    session = draw_planned_session(plan_of({"lamp": "arm and not key", "siren": "horn"}, ("horn", "arm", "key")))
    sound(session)
    off = Counter(step.control for step in session.steps if step.is_drawn and not step.held)
    assert (off["arm"], off["horn"]) == (3, 1)


def test_a_plan_of_the_vehicle_alone_switches_it_on_as_often_as_it_wants() -> None:
    plan = plan_of({"radio": "key"}, ("key",))
    plan = replace(plan, controls={"key": replace(plan.controls["key"], min_exercises=3)})
    session = draw_planned_session(plan)
    sound(session)
    assert [mark.label for mark in session.marks] == ["key"] * 3
    assert session.tallies == ()


def test_a_rule_too_wide_for_every_combination_is_told() -> None:
    names = tuple("abcdef")
    session = draw_planned_session(plan_of({"all": " and ".join(names)}, names, ignition=None))
    sound(session)
    assert "too many controls for every combination" in session.remarks[0]
    assert set(names) in states(session, *names)


def test_an_output_that_the_bus_does_not_show_is_to_be_watched() -> None:
    plan = changed(plan_of({"siren": "horn"}, ("horn",), ignition=None), siren={"command": None, "safety": "horn"})
    session = draw_planned_session(plan)
    text = " ".join(sheet_text(session, judge="").split())
    assert "Watch siren: nothing on the bus shows it; write down when it is on (--observed)." in text
    assert "protect your hearing" in text


def test_a_plan_without_controls_is_refused() -> None:
    with pytest.raises(UsageError, match="names no control"):
        draw_planned_session(replace(plan_of({}, ("horn",), ignition=None), controls={}))


def test_slots_that_no_control_fits_into_are_refused() -> None:
    plan = changed(plan_of({"heat": "arm"}, ("arm",), ignition=None), heat={"run_on_s": 30.0})
    assert draw_planned_session(plan).tallies[0].exercises == 3
    with pytest.raises(UsageError, match="no control of this plan can be drawn into short slots"):
        draw_planned_session(plan, slots=24)


def test_an_output_that_toggles_is_operated_in_pairs_and_one_that_waits_for_longer() -> None:
    plan = plan_of({"siren": "horn", "lamp": "front"}, ("horn", "front"), ignition=None)
    ways: tuple[tuple[dict[str, object], int], ...] = (({}, 3), ({"latch": True}, 6))
    for keys, often in ways:
        session = draw_planned_session(changed(plan, siren=keys))
        sound(session)
        assert sum(mark.label == "horn" for mark in session.marks) >= often
        need = need_of(changed(plan, siren=keys), "horn")
        assert need.times == often
    assert need_of(changed(plan, siren={"delay_s": 5.0}), "horn").hold_s > 5.5
    assert need_of(changed(plan, siren={"pulse_s": 5.0}), "horn").pause_s > 5.5
