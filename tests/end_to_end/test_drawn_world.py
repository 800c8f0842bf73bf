"""A slice of the drawn world: what workshops meet, judged without a false word; its truth and its grades are sound."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.benchmark.world import answered
from tests.drawn.world import FAMILIES, Truth, draw_job

BY_NAME = {one.name: one for one in FAMILIES}
HEALTHY = (
    "loses-5-percent",
    "loses-bursts",
    "stamps-in-batches",
    "written-twice",
    "clock-back",
    "wired",
    "chatters",
    "door-wakes",
    "recordings in the wrong order",
)
FAULTY = ("gateway-asleep", "output-not-fed", "output-not-commanded + loses-1-percent", "load-open + current-lags")


def test_an_output_that_sags_with_another_is_not_blamed_for_it() -> None:
    answer = answered(draw_job(BY_NAME["supply-sags"], 336_000))
    assert answer.grade == "right", answer.because


@pytest.mark.parametrize("family", HEALTHY)
def test_nothing_false_is_said_of_a_sound_install(family: str) -> None:
    answer = answered(draw_job(BY_NAME[family], 900_000))
    assert answer.is_healthy
    assert answer.grade in {"right", "safe"}, answer.because


@pytest.mark.parametrize("family", FAULTY)
def test_what_is_wrong_is_not_proven_and_nothing_false_is_said(family: str) -> None:
    answer = answered(draw_job(BY_NAME[family], 900_000))
    assert not answer.is_healthy
    assert answer.grade in {"right", "safe"}, answer.because
    assert ("broken", "proven") not in answer.outputs


def test_the_same_answer_to_another_truth_is_wrong() -> None:
    sound, faulty = (draw_job(BY_NAME[one], 900_000) for one in ("plain", "output-not-commanded"))
    assert answered(replace(faulty, truth=Truth(dict.fromkeys(faulty.plan.outputs, "sound")))).grade == "wrong"
    assert answered(replace(sound, truth=Truth(dict.fromkeys(sound.plan.outputs, "untried")))).grade == "wrong"
