"""Every control against every output: how many exercises it followed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.measures.outputs.exercises import crossings
from tests.unit.small_jobs import answering, job, planned, presses

if TYPE_CHECKING:
    from canlens.nouns.pictures import Crossing
    from tests.unit.small_jobs import Job

HORN, BRAKE = presses(4), presses(3, first_s=20.0)


def crossed(one: Job) -> dict[tuple[str, str], Crossing]:
    return {(each.control, each.output): each for each in crossings(one.evidence)}


def test_outputs_that_are_exchanged_are_seen_at_once() -> None:
    outputs = {"siren": planned("horn", answering(BRAKE)), "repeater": planned("brake", answering(HORN))}
    found = crossed(job({"horn": HORN, "brake": BRAKE}, outputs, end_s=40))
    counts = {pair: (each.is_planned, each.followed, each.due) for pair, each in found.items()}
    assert counts == {
        ("horn", "siren"): (True, 0, 4),
        ("horn", "repeater"): (False, 4, 4),
        ("brake", "siren"): (False, 3, 3),
        ("brake", "repeater"): (True, 0, 3),
    }
    assert found["horn", "repeater"].median_s == pytest.approx(0.05, abs=0.06)  # a row every 50 ms
    assert found["horn", "siren"].median_s is None


def test_an_output_that_is_on_already_cannot_follow_and_is_not_due() -> None:
    key = [(1.0, 38.0)]
    one = job({"horn": HORN, "key": key}, {"radio": planned("key", answering(key))}, end_s=40)
    own = crossed(one)["horn", "radio"]
    assert (own.exercises, own.due, own.followed) == (4, 0, 0)


def test_an_output_that_nothing_shows_is_left_out() -> None:
    one = job({"horn": HORN}, {"siren": planned("horn", None)}, end_s=40)
    assert crossings(one.evidence) == ()
