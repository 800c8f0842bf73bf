"""Attribution: whom the errors point at, on a small bus written from the specification alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.measures.errors.attribution import attribute, inside
from canlens.trace import Kind, Trace
from tests.broken_bus import Broken, broken_bus
from tests.unit.error_logs import error_trace

if TYPE_CHECKING:
    from canlens.nouns.bus import Attribution


@cache
def bus(kind: str, seed: int, episodes: int = 60) -> Broken:
    return broken_bus(kind, seed, episodes=episodes)


def weighed(one: Broken) -> Attribution:
    found = attribute(one.trace, senders=one.senders, outputs_on=one.outputs_on)
    assert found is not None
    return found


@pytest.mark.parametrize("kind", ["bad-sender", "interference"])
@pytest.mark.parametrize("seed", range(3))
def test_what_is_at_fault_is_named(kind: str, seed: int) -> None:
    one = bus(kind, seed)
    answer = weighed(one).answer
    assert answer is not None
    assert (answer.kind, answer.subject) == (kind, one.subject)


def test_a_loose_contact_is_named_where_the_node_sends_often_enough_to_show_its_gaps() -> None:
    answers = [(weighed(one).answer, one.subject) for one in (bus("loose-contact", seed) for seed in range(8))]
    named = [(answer, subject) for answer, subject in answers if answer is not None]
    assert all((answer.kind, answer.subject) == ("loose-contact", subject) for answer, subject in named)
    assert len(named) >= 5


@pytest.mark.parametrize("seed", range(3))
def test_the_whole_bus_is_told_from_one_sender_and_from_an_output(seed: int) -> None:
    found = weighed(bus("whole-bus", seed))
    assert "whole-bus" in found.narrowed
    assert set(found.narrowed) <= {"whole-bus", "bad-receiver", "other"}


@pytest.mark.parametrize("seed", range(3))
def test_coarse_stamps_that_a_start_time_was_added_to_say_the_same(seed: int) -> None:
    # stamps of 0.1 ms, as many recorders write them, each a microsecond off where the start was added to it
    one = bus("bad-sender", seed)
    coarse = one.trace.time_ns // 100_000 * 100_000
    off = np.random.default_rng(seed).integers(-1, 2, len(coarse)) * 1000
    off[0] = 0
    plain, rounded = (
        attribute(replace(one.trace, time_ns=stamps), senders=one.senders, outputs_on=one.outputs_on, bit_rate=500_000)
        for stamps in (coarse, coarse + off)
    )
    assert plain is not None
    assert rounded is not None
    assert rounded.answer is not None
    assert (rounded.answer.kind, rounded.answer.subject) == (plain.suspicions[0].kind, one.subject)
    assert rounded.answer.probability == pytest.approx(plain.suspicions[0].probability, abs=0.05)


def test_probabilities_add_up_to_one() -> None:
    for kind in ("whole-bus", "bad-sender", "bad-receiver"):
        assert sum(each.probability for each in weighed(bus(kind, 1)).suspicions) == pytest.approx(1.0)


def test_the_bad_sender_has_the_errors_and_not_the_frames() -> None:
    one = bus("bad-sender", 2)
    found = weighed(one)
    good = one.trace.where(one.trace.kind != Kind.ERROR)
    keys = zip(good.identifier.tolist(), good.is_extended.tolist(), strict=True)
    share_of_frames = np.mean([one.senders.get(key) == one.subject for key in keys])
    assert next(iter(found.by_sender)) == one.subject
    assert found.by_sender[one.subject] > 2 * share_of_frames * found.episodes
    assert sum(found.by_sender.values()) == pytest.approx(found.episodes)


def first_errors(one: Broken, number: int) -> Broken:
    """Return the recording up to and with so many error records."""
    last = np.flatnonzero(one.trace.kind == Kind.ERROR)[number - 1]
    return replace(one, trace=one.trace.where(slice(0, int(last) + 20)))


def test_four_errors_name_nobody() -> None:
    found = weighed(first_errors(bus("bad-sender", 0), 4))
    assert found.answer is None
    assert found.narrowed == ()
    assert found.sentence.startswith("Not enough evidence: ")


def test_what_is_missing_is_said() -> None:
    found = weighed(first_errors(bus("whole-bus", 0), 12))
    assert found.answer is None
    assert found.sentence.startswith("Not enough evidence: ")
    assert "would show whether the frames of every node break" in found.sentence


def test_without_knowing_when_outputs_were_on_interference_is_not_weighed() -> None:
    one = bus("bad-sender", 0)
    found = attribute(one.trace, senders=one.senders)
    assert found is not None
    assert found.probability("interference") == 0
    whole = attribute(bus("whole-bus", 0).trace, senders=bus("whole-bus", 0).senders)
    assert whole is not None
    assert "When outputs were on is not known" in whole.sentence


def test_an_output_that_is_always_on_is_not_blamed() -> None:
    one = bus("whole-bus", 1)
    always = {"lamp": np.array([[-1.0, 1e6]])}
    found = attribute(one.trace, senders=one.senders, outputs_on=always)
    assert found is not None
    assert found.probability("interference") == 0
    assert "lamp was hardly ever switched" in found.sentence


def test_without_senders_one_identifier_can_still_be_named() -> None:
    alone = broken_bus("bad-sender", 11, episodes=60, nodes=8, messages=8)
    found = attribute(alone.trace)
    assert found is not None
    assert found.answer is not None
    wanted = next(number for (number, _), name in alone.senders.items() if name == alone.subject)
    assert found.answer.subject == f"0x{wanted:x}"


def test_no_errors_point_at_nobody() -> None:
    assert attribute(Trace.empty()) is None
    assert attribute(error_trace([(0.0, 0x88, "00" * 8)])) is None


@pytest.mark.parametrize(("time_s", "held"), [(0.9, False), (1.0, True), (2.0, True), (2.1, True), (2.11, False)])
def test_an_output_disturbs_until_shortly_after_it_is_off(time_s: float, *, held: bool) -> None:
    assert inside(np.array([time_s]), np.array([[1.0, 2.0]]), after_s=0.1).tolist() == [held]
