"""Shared causes: one fault behind several outputs is one cause, and two faults stay two."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.causes import ranked, wrong_beyond_outputs
from canlens.plan.nouns import Reading, Readings
from tests.unit.small_jobs import (
    Job,
    Operated,
    Shape,
    Wave,
    answering,
    job,
    operated,
    planned,
    presses,
    wave,
    without_message,
)

if TYPE_CHECKING:
    from canlens.results.finding import Cause

SURE = 0.9
HORN, BRAKE, AUX = presses(3), presses(3, first_s=12), presses(3, first_s=22)
IGNITION = [(0.5, 33.0)]
CONTROLS: dict[str, Shape | Operated | None] = {"horn": HORN, "brake": BRAKE, "aux": AUX, "ignition": IGNITION}


def high(one: Job) -> dict[str, tuple[str, ...]]:
    """Return the causes that stand above one half, with their subjects."""
    return {each.cause: each.subject for each in ranked(one.evidence) if each.probability > 0.5}


def named(one: Job, cause: str) -> Cause:
    return next(each for each in ranked(one.evidence) if each.cause == cause)


def probability(one: Job, cause: str) -> float:
    return max((each.probability for each in ranked(one.evidence) if each.cause == cause), default=0.0)


def test_all_that_needs_one_control_and_only_that_is_dead_so_the_control_is_not_noticed() -> None:
    outputs = {
        "siren": planned("horn and ignition", []),
        "lamp": planned("brake and ignition", []),
        "pump": planned("aux", answering(AUX)),
    }
    one = job(CONTROLS, outputs, end_s=34)
    assert high(one) == {"control-not-noticed": ("ignition",)}
    cause = named(one, "control-not-noticed")
    assert cause.scope == "controller"
    assert "siren and lamp need ignition" in cause.because[0]
    assert all(each.probability < 0.5 for each in ranked(one.evidence) if each.cause == "output-not-commanded")


def test_an_output_that_needs_the_control_and_comes_on_clears_it() -> None:
    outputs = {
        "siren": planned("horn and ignition", []),
        "lamp": planned("brake and ignition", []),
        "pump": planned("aux and ignition", answering(AUX)),
    }
    one = job(CONTROLS, outputs, end_s=34)
    assert set(high(one)) == {"output-not-commanded"}
    assert probability(one, "control-not-noticed") < 0.1


def test_a_report_that_never_follows_is_near_proof_even_for_a_single_output() -> None:
    outputs = {"siren": planned("horn", []), "lamp": planned("brake", answering(BRAKE))}
    controls = {"horn": operated(HORN, noticed=[]), "brake": operated(BRAKE, noticed=BRAKE)}
    assert high(job(controls, outputs, end_s=24)) == {"control-not-noticed": ("horn",)}


@pytest.mark.parametrize("rules", [("horn", "brake", "aux"), ("horn", "brake and not horn", "aux", "horn or brake")])
def test_everything_is_dead_and_shares_no_control_so_the_configuration_is_another(rules: tuple[str, ...]) -> None:
    outputs = {f"out{number}": planned(rule, []) for number, rule in enumerate(rules)}
    one = job(CONTROLS, outputs, end_s=34)
    assert high(one) == {"setting-differs": tuple(outputs)}
    assert one.checkup.verdict == "failed"


def test_a_control_that_was_noticed_leaves_the_configuration() -> None:
    outputs = {"siren": planned("horn and ignition", []), "lamp": planned("brake and ignition", [])}
    outputs["pump"] = planned("aux and ignition", [])
    controls = {**CONTROLS, "ignition": operated(IGNITION, noticed=[(0.55, 33.0)])}
    assert "control-not-noticed" not in high(job(controls, outputs, end_s=34))


def test_two_dead_outputs_among_others_that_share_nothing_stay_two_faults() -> None:
    outputs = {
        "siren": planned("horn", []),
        "lamp": planned("brake", []),
        "pump": planned("aux", answering(AUX)),
        "heater": planned("ignition", answering(IGNITION)),
    }
    found = [each for each in ranked(job(CONTROLS, outputs, end_s=34).evidence) if each.probability > 0.5]
    assert {(each.cause, each.subject) for each in found} == {
        ("output-not-commanded", ("siren",)),
        ("output-not-commanded", ("lamp",)),
    }


def silent() -> Job:
    return without_message(job({"horn": HORN}, {"siren": planned("horn", answering(HORN))}, end_s=12), "SirenState")


def measured(name: str, value: float) -> dict[str, float]:
    """Return the causes of a silent controller on which something was measured."""
    evidence = replace(silent().evidence, readings=Readings(values={name: Reading(name, value)}))
    return {each.cause: each.probability for each in ranked(evidence)}


def test_a_silent_controller_may_lack_supply_or_bus_and_neither_is_likelier_than_its_silence() -> None:
    causes = {each.cause: each.probability for each in ranked(silent().evidence)}
    assert causes["controller-silent"] > SURE
    assert 0.1 < causes["bus-plug-open"] < causes["supply-missing"] < 0.5


@pytest.mark.parametrize(
    ("name", "value", "cause"),
    [("box_supply_v", 0.1, "supply-missing"), ("fuse_ok", 0, "supply-missing"), ("plug_seated", 0, "bus-plug-open")],
)
def test_what_was_measured_on_the_controller_decides_and_takes_the_place_of_its_silence(
    name: str, value: float, cause: str
) -> None:
    causes = measured(name, value)
    assert [each for each in causes if causes[each] > 0.5] == [cause]
    assert causes[cause] > SURE


def test_a_good_supply_speaks_for_the_plug() -> None:
    causes = measured("box_supply_v", 12.4)
    assert causes["bus-plug-open"] > 5 * causes.get("supply-missing", 0.0)


def test_a_box_that_only_listens_and_does_nothing_has_no_supply_no_bus_or_another_setting() -> None:
    off = [(0.1, "siren", False), (0.1, "lamp", False)]
    one = job(
        {"horn": HORN, "brake": BRAKE}, {"siren": planned("horn"), "lamp": planned("brake")}, end_s=24, observed=off
    )
    causes = ranked(one.evidence)
    assert {each.cause for each in causes} >= {"supply-missing", "bus-plug-open", "setting-differs"}
    assert all(0.05 < each.probability < 0.6 for each in causes)
    assert "links 1 to 3 are fine" in named(one, "supply-missing").because[0]
    assert named(one, "supply-missing").next_test


def test_without_observations_of_a_box_that_only_listens_the_first_thing_is_to_watch() -> None:
    one = job({"horn": HORN}, {"siren": planned("horn")}, end_s=12)
    (cause,) = ranked(one.evidence)
    assert cause.cause == "not-enough-evidence"
    assert cause.next_test.startswith("Watch the outputs")


def test_a_controller_whose_messages_stop_for_good_has_gone_and_its_outputs_are_not_blamed() -> None:
    outputs = {
        "siren": planned("horn", wave(answering(HORN), silent=[(11.0, 99.0)])),
        "lamp": planned("brake", wave([], silent=[(11.0, 99.0)])),
    }
    one = job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)
    cause = ranked(one.evidence)[0]
    assert cause.cause == "controller-silent"
    assert any("stop for good at 11.0 s" in each for each in cause.because)
    assert probability(one, "output-not-commanded") < 0.1


def test_a_controller_that_sleeps_when_nobody_asks_for_anything_is_not_silent() -> None:
    one = job({"horn": HORN}, {"siren": planned("horn", wave(answering(HORN), silent=[(11.0, 99.0)]))}, end_s=24)
    assert ranked(one.evidence) == ()


def test_a_common_ground_lets_every_output_pull_the_others_down() -> None:
    horn, aux = [(2.0, 10.0), (14.0, 18.0)], [(5.0, 7.0), (12.0, 22.0)]
    both = answering([(5.0, 7.0), (14.0, 18.0)])

    def volts(on: list[tuple[float, float]]) -> Wave:
        at_s = sorted({time_s for span in (*on, *both) for time_s in span})
        shared = [sum(start <= each < stop for start, stop in both) for each in at_s]
        alone = [any(start <= each < stop for start, stop in on) for each in at_s]
        steps = [(each, 106 if two else 122 * one) for each, two, one in zip(at_s, shared, alone, strict=True)]
        return Wave(steps)

    outputs = {
        "siren": planned("horn", answering(horn), voltage=volts(answering(horn))),
        "pump": planned("aux", answering(aux), voltage=volts(answering(aux))),
    }
    one = job({"horn": horn, "aux": aux}, outputs, end_s=26)
    assert one.evidence.supply is not None
    assert one.evidence.supply.falls_v == pytest.approx({"siren": 1.6, "pump": 1.6})
    assert high(one)["common-ground"] == ("siren", "pump")
    assert one.checkup.verdict == "failed"


def thinned(one: Job, share: float, *, only: str = "") -> Job:
    """Return the job with a share of its frames lost, of one message or of all."""
    kept = np.random.default_rng(5).random(len(one.trace)) >= share
    if only:
        message = one.plan.database.message(only)
        assert message is not None
        kept |= one.trace.identifier != message.identifier
    return replace(one, trace=one.trace.where(kept))


def steady() -> Job:
    outputs = {"siren": planned("horn", answering(HORN)), "lamp": planned("brake", answering(BRAKE))}
    return job({"horn": HORN, "brake": BRAKE}, outputs, end_s=60)


def test_a_recorder_that_loses_frames_of_all_alike_is_named_and_fails_nothing() -> None:
    one = thinned(steady(), 0.03)
    cause = named(one, "recorder-loses")
    assert cause.probability > SURE
    assert wrong_beyond_outputs([cause]) == 0.0
    assert one.checkup.verdict != "failed"


def test_one_message_that_loses_frames_is_not_the_recorder() -> None:
    assert probability(thinned(steady(), 0.1, only="Horn"), "recorder-loses") < 0.1


def test_a_single_wrong_timer_among_right_ones_is_no_other_setting() -> None:
    horn = presses(6, every_s=4.0)
    on = answering(horn, run_on_s=1.0)
    on[2] = (on[2][0], on[2][1] + 0.9)
    one = job({"horn": horn}, {"siren": planned("horn", on, run_on_s=1.0, run_on_tolerance_s=0.3)}, end_s=30)
    assert probability(one, "run-on-differs") < 0.5


def test_delays_that_scatter_are_no_configured_delay() -> None:
    horn = presses(6, hold_s=2.5, every_s=4.0)
    scattered = [(a + delay, b + 0.05) for (a, b), delay in zip(horn, (0.4, 2.2, 0.5, 1.9, 0.05, 1.2), strict=True)]
    alike = [(a + 0.9, b + 0.05) for a, b in horn]
    made = [job({"horn": horn}, {"siren": planned("horn", each)}, end_s=30) for each in (scattered, alike)]
    assert probability(made[0], "answer-late") < 0.5 < SURE < probability(made[1], "answer-late")


def test_a_delay_longer_than_the_press_is_a_delay_and_nothing_else() -> None:
    horn = presses(5, hold_s=0.8, every_s=5.0)
    one = job({"horn": horn}, {"siren": planned("horn", answering(horn, delay_s=1.6))}, end_s=30)
    assert high(one) == {"answer-late": ("siren",)}
    assert {each.check for each in one.checkup.result.findings if each.severity == "failure"} == {"late-answer"}


def test_what_was_always_so_when_an_exercise_failed_is_told_as_a_condition() -> None:
    horn = presses(8)
    outputs = {"siren": planned("horn", answering(horn[::2]))}
    one = job({"horn": horn, "radio": [(a - 0.2, b + 0.2) for a, b in horn[1::2]]}, outputs, end_s=28)
    messages = tuple(
        replace(each, signals=tuple(replace(signal, length=1) for signal in each.signals))
        if each.name == "Radio"
        else each
        for each in one.plan.database.messages
    )
    database = replace(one.plan.database, messages=messages)
    hidden = replace(one, plan=replace(one.plan, database=database, controls={"horn": one.plan.controls["horn"]}))
    cause = ranked(hidden.evidence)[0]
    assert (cause.cause, cause.subject) == ("output-follows-other-control", ("siren",))
    assert any("every one of the 4 exercises that failed was made while Radio.On = 1" in each for each in cause.because)
    assert cause.probability < SURE
