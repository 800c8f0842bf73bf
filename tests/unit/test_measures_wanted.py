"""Wanted: outputs that latch, pulse, wait, stay on, fade, retry or switch themselves are held against just that."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.measures.outputs.wanted import hidden, wanted
from canlens.plan import Controller, Output, parse_rule
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import TENTH, Wave, answering, job, operated, planned, presses, track_of, wave

if TYPE_CHECKING:
    from typing import Any

    from canlens.nouns.tracks import Track
    from tests.unit.small_jobs import Job, Span

PRESSES = presses(6, hold_s=2.0, every_s=6.0)
END_S = 38.0
KEYS: list[dict[str, Any]] = [
    {"latch": True},
    {"pulse_s": 3.0},
    {"min_on_s": 3.0},
    {"delay_s": 0.6},
    {"off_within_s": 2.0},
]


def toggled(spans: list[Span]) -> list[Span]:
    starts = [start for start, _ in answering(spans)]
    return list(zip(starts[::2], [*starts[1::2], END_S], strict=False))


def lasting(spans: list[Span], on_s: float, *, late_s: float = 0.05) -> list[Span]:
    return [(round(start + late_s, 6), round(start + late_s + on_s, 6)) for start, _ in spans]


RIGHT = [
    toggled(PRESSES),
    lasting(PRESSES, 3.0),
    lasting(PRESSES, 3.0),
    lasting(PRESSES, 1.4, late_s=0.65),
    lasting(PRESSES, 3.5),
]


def pressed(on: list[Span], **keys: Any) -> Job:
    return job({"horn": PRESSES, "brake": [(1, 1.5)]}, {"siren": planned("horn", on, **keys)}, end_s=END_S)


def steps(track: Track) -> list[tuple[float, int]]:
    return [
        (round(time_s, 3), state) for time_s, state in zip(track.time_s.tolist(), track.state.tolist(), strict=True)
    ]


@pytest.mark.parametrize(
    ("keys", "on"), list(zip(KEYS, RIGHT, strict=True)), ids=["latch", "pulse_s", "min_on_s", "delay_s", "off_within_s"]
)
def test_an_output_that_does_what_its_keys_say_is_proven(keys: dict[str, Any], on: list[Span]) -> None:
    found = pressed(on, **keys).result("siren")
    assert (found.verdict, found.unasked) == ("proven", 0), found.reason


@pytest.mark.parametrize("on", RIGHT, ids=["latch", "pulse_s", "min_on_s", "delay_s", "off_within_s"])
def test_without_its_key_it_fails(on: list[Span]) -> None:
    assert pressed(on).result("siren").verdict == "failed"


@pytest.mark.parametrize("keys", KEYS[:4], ids=["latch", "pulse_s", "min_on_s", "delay_s"])
def test_one_that_just_follows_its_rule_fails(keys: dict[str, Any]) -> None:
    assert pressed(answering(PRESSES), **keys).result("siren").verdict == "failed"


def test_a_press_that_a_latching_output_misses_is_one_wrong() -> None:
    on = toggled([each for place, each in enumerate(PRESSES) if place != 2])
    found = pressed(on, latch=True).output("siren")
    assert (len(found.answers.unanswered), len(found.answers.answered), len(found.answers.unasked)) == (1, 3, 0)


def test_presses_in_a_hurry_leave_a_latching_output_unknown() -> None:
    rule = track_of([(0, OFF), (2, ON), (2.1, OFF), (2.2, ON), (3, OFF)], end_s=9)
    output = Output("siren", parse_rule("horn", ["horn"]), latch=True, within_s=0.3)
    assert steps(wanted(rule, output)) == [(0, OFF), (2, UNKNOWN)]


def test_a_pulse_that_lasts_too_long_is_a_wrong_cut_off() -> None:
    found = pressed(lasting(PRESSES, 4.5), pulse_s=3.0).output("siren")
    assert found.cut_off is not None
    assert len(found.cut_off.wrong) == len(PRESSES)


def test_a_press_too_short_for_the_delay_asks_for_nothing() -> None:
    rule = track_of([(0, OFF), (2, ON), (2.5, OFF), (5, ON), (9, OFF)], end_s=12)
    output = Output("siren", parse_rule("horn", ["horn"]), delay_s=2.0)
    assert steps(wanted(rule, output)) == [(0, OFF), (7.1, ON), (9, OFF)]


def test_what_is_hidden_is_unknown() -> None:
    track = track_of([(0, OFF), (2, ON), (4, OFF)], end_s=9)
    span = hidden(track, track.time_s[:0].reshape(0, 2))
    assert span is track
    assert steps(hidden(track, np.array([[1.0, 3.0]]))) == [(0, OFF), (1, UNKNOWN), (3, ON), (4, OFF)]
    assert steps(hidden(track, np.array([[-1.0, 1.0], [8.0, 99.0]]))) == [
        (0, UNKNOWN),
        (1, OFF),
        (2, ON),
        (4, OFF),
        (8, UNKNOWN),
    ]


def test_a_soft_output_takes_its_time_for_both() -> None:
    on = lasting(PRESSES, 2.4, late_s=0.5)
    assert pressed(on, soft_s=0.8).result("siren").verdict == "proven"
    assert pressed(on).result("siren").verdict == "failed"


def tripping(tries: int) -> list[Span]:
    return [
        (s + 0.05 + 0.1 * n, s + 0.05 + 0.1 * n + (0.05 if n < tries else 2 - 0.1 * n))
        for s, _ in PRESSES
        for n in range(tries + 1)
    ]


@pytest.mark.parametrize(("tries", "verdict"), [(1, "proven"), (2, "proven"), (3, "failed")])
def test_an_output_may_drop_and_return_as_often_as_its_plan_allows(tries: int, verdict: str) -> None:
    spans = [(round(start, 6), round(stop, 6)) for start, stop in tripping(tries)]
    on = wave(spans, cycle_s=0.05, at_once=True)
    one = job({"horn": PRESSES, "brake": [(1, 1.5)]}, {"siren": planned("horn", on, retries=2)}, end_s=END_S)
    assert one.result("siren").verdict == verdict


@pytest.mark.parametrize(("keys", "verdict"), [({"self_switching": True}, "proven"), ({}, "failed")])
def test_a_load_with_a_switch_of_its_own_may_draw_nothing(keys: dict[str, Any], verdict: str) -> None:
    on = answering(presses(4, hold_s=3.0, every_s=6.0))
    amps = Wave([(0, 0)])
    siren = planned("horn", on, current=amps, load_a=5.0, **keys)
    one = job({"horn": presses(4, hold_s=3.0, every_s=6.0), "brake": [(1, 1.5)]}, {"siren": siren}, end_s=END_S)
    assert one.result("siren").verdict == verdict


@pytest.mark.parametrize(("keys", "verdict"), [({"off_below_v": 11.2}, "proven"), ({}, "failed")])
def test_an_output_may_be_off_while_the_supply_is_low(keys: dict[str, Any], verdict: str) -> None:
    held = presses(5, hold_s=3.0, every_s=5.0)
    on = [*answering(held[:2]), (12.05, 13.0), (14.2, 15.05), *answering(held[3:])]
    volts = Wave([(0, 126), (12.95, 105), (14.1, 126)])
    one = job(
        {"horn": held, "brake": [(1, 1.5)]},
        {"siren": planned("horn", on, **keys), "meter": planned("brake", [(1.05, 1.55)], voltage=volts)},
        end_s=END_S,
    )
    supply = one.plan.outputs["meter"].voltage
    assert supply is not None
    assert supply.definition.scale == TENTH
    plan = replace(one.plan, controller=replace(one.plan.controller, supply=supply))
    assert replace(one, plan=plan).result("siren").verdict == verdict


@pytest.mark.parametrize(
    ("told", "verdict"), [(Controller("Box", start_s=0.5, lamp_test_s=1.0), "proven"), (Controller("Box"), "failed")]
)
def test_a_lamp_test_after_the_start_is_asked_for(told: Controller, verdict: str) -> None:
    one = pressed([(0.6, 1.4), *answering(PRESSES)])
    assert replace(one, plan=replace(one.plan, controller=told)).result("siren").verdict == verdict


@pytest.mark.parametrize("wired", [True, False])
def test_a_wired_control_may_be_answered_before_the_bus_tells(*, wired: bool) -> None:
    early = [
        (round(start - lead, 6), stop)
        for (start, stop), lead in zip(PRESSES, [0.3, 0.02, 0.5, 0.2, 0.1, 0.4], strict=True)
    ]
    one = pressed(early)
    plan = replace(one.plan, controls={name: replace(each, wired=wired) for name, each in one.plan.controls.items()})
    assert replace(one, plan=plan).result("siren").verdict == ("proven" if wired else "failed")


def test_a_value_with_all_bits_set_that_counts_is_told() -> None:
    curve = Wave([(0, 65535), (0.6, 0), *(step for start, stop in PRESSES for step in ((start, 1), (stop, 0)))])
    siren = {"siren": planned("horn", answering(PRESSES))}
    one = job({"horn": operated(curve)}, siren, end_s=END_S)
    assert [each.subject for each in one.findings("counted-invalid")] == [("horn",)]
    assert "counts as horn on" in one.findings("counted-invalid")[0].claim
    assert job({"horn": operated(curve, unknown=(65535,))}, siren, end_s=END_S).findings("counted-invalid") == []
