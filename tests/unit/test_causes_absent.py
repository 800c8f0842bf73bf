"""The causes that name what is absent: how sure they are, and what speaks against them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canlens.causes import ALL, ranked
from canlens.plan import Controller
from canlens.trace import Kind
from tests.unit.small_jobs import Job, answering, job, planned, presses, without_frames, without_message

HORN = presses(3)


def made(*, declared: bool = True) -> Job:
    return job({"horn": HORN}, {"siren": planned("horn", answering(HORN))}, end_s=12, declared=declared)


def names(one: Job) -> list[tuple[str, float]]:
    return [(each.cause, each.probability) for each in ranked(one.evidence)]


def test_a_whole_recording_has_none_of_them() -> None:
    assert names(made()) == []


def test_an_empty_recording_has_no_traffic_and_nothing_else() -> None:
    assert names(without_frames(made())) == [("no-traffic", 1.0)]


def test_error_frames_alone_are_no_traffic_and_are_counted() -> None:
    one = made()
    kind = np.full(len(one.trace), Kind.ERROR, np.uint8)
    causes = ranked(replace(one, trace=replace(one.trace, kind=kind)).evidence)
    assert [each.cause for each in causes] == ["no-traffic"]
    assert f"{len(one.trace)} error frames" in causes[0].because[0]


def test_one_frame_of_the_controller_speaks_against_its_silence() -> None:
    one = made()
    assert names(without_message(one, "SirenState")) == [("controller-silent", 1.0)]
    first = int(np.flatnonzero(one.trace.identifier == 0x101)[0])
    keep = one.trace.identifier != 0x101
    keep[first] = True
    assert names(replace(one, trace=one.trace.where(keep))) == []


def test_a_plan_without_a_node_calls_no_controller_silent() -> None:
    one = without_message(made(), "SirenState")
    nameless = replace(one, plan=replace(one.plan, controller=Controller()))
    assert names(nameless) == [("message-missing", 1.0)]


def test_without_a_declared_cycle_time_a_missing_message_is_even_odds() -> None:
    causes = ranked(without_message(made(declared=False), "Horn").evidence)
    assert [(each.cause, each.probability) for each in causes] == [("message-missing", 0.5)]
    assert causes[0].against


def test_the_most_probable_cause_stands_first() -> None:
    whole = job({"horn": HORN, "brake": []}, {"siren": planned("horn", answering(HORN))}, end_s=12, declared=False)
    one = without_message(without_message(whole, "Horn"), "SirenState")
    found = ranked(one.evidence)
    assert [(each.cause, each.probability) for each in found] == [("controller-silent", 1.0), ("message-missing", 0.5)]


def test_every_cause_bears_its_name_and_scope_and_a_manual() -> None:
    for one in (without_frames(made()), without_message(made(), "Horn"), without_message(made(), "SirenState")):
        for cause in ranked(one.evidence):
            entry = next(each for each in ALL if each.name == cause.cause)
            assert entry.scope == cause.scope
            assert entry.manual.startswith(f"{entry.name}: ")
            assert 0 <= cause.probability <= 1
