"""The causes that name what is absent: how sure they are, and what speaks against them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canlens.causes import ALL, ranked
from canlens.plan import Controller
from canlens.trace import Kind
from tests.unit.small_jobs import Job, answering, job, planned, presses, without_frames, without_message

HORN = presses(3)
SURE = 0.9


def made(*, declared: bool = True) -> Job:
    return job({"horn": HORN}, {"siren": planned("horn", answering(HORN))}, end_s=12, declared=declared)


def probabilities(one: Job) -> dict[str, float]:
    return {each.cause: each.probability for each in ranked(one.evidence)}


def test_a_whole_recording_has_none_of_them() -> None:
    assert probabilities(made()) == {}


def test_an_empty_recording_has_most_probably_no_traffic() -> None:
    first, *others = ranked(without_frames(made()).evidence)
    assert first.cause == "no-traffic"
    assert first.probability > 0.7
    assert all(each.probability < 0.2 for each in others)


def test_error_frames_alone_are_no_sleeping_bus_and_are_counted() -> None:
    one = made()
    kind = np.full(len(one.trace), Kind.ERROR, np.uint8)
    first = ranked(replace(one, trace=replace(one.trace, kind=kind)).evidence)[0]
    assert first.cause in {"wrong-bit-rate", "nobody-acknowledges"}
    assert any(f"{len(one.trace)} error frames" in each for each in first.because)


def test_one_frame_of_the_controller_speaks_against_its_silence() -> None:
    one = made()
    assert probabilities(without_message(one, "SirenState"))["controller-silent"] > SURE
    first = int(np.flatnonzero(one.trace.identifier == 0x101)[0])
    keep = one.trace.identifier != 0x101
    keep[first] = True
    assert "controller-silent" not in probabilities(replace(one, trace=one.trace.where(keep)))


def test_a_plan_without_a_node_calls_no_controller_silent() -> None:
    one = without_message(made(), "SirenState")
    nameless = probabilities(replace(one, plan=replace(one.plan, controller=Controller())))
    assert nameless["message-missing"] > SURE
    assert "controller-silent" not in nameless


def test_without_a_declared_cycle_time_a_missing_message_is_no_verdict() -> None:
    found = [each for each in ranked(without_message(made(declared=False), "Horn").evidence) if each.scope == "bus"]
    assert all(each.probability <= 0.5 for each in found)


def test_the_most_probable_cause_stands_first() -> None:
    whole = job({"horn": HORN, "brake": []}, {"siren": planned("horn", answering(HORN))}, end_s=12, declared=False)
    one = without_message(without_message(whole, "Horn"), "SirenState")
    found = ranked(one.evidence)
    assert found[0].cause == "controller-silent"
    assert [each.probability for each in found] == sorted((each.probability for each in found), reverse=True)


def test_every_cause_bears_its_name_and_scope_and_a_manual() -> None:
    for one in (without_frames(made()), without_message(made(), "Horn"), without_message(made(), "SirenState")):
        for cause in ranked(one.evidence):
            entry = next(each for each in ALL if each.name == cause.cause)
            assert entry.scope == cause.scope
            assert entry.manual.startswith(f"{entry.name}: ")
            assert 0 <= cause.probability <= 1
