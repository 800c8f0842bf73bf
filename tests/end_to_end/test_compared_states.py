"""Like is held against like: recordings of different states of the ignition."""

from __future__ import annotations

import pytest

from canlens import compare
from tests.drawn import draw_bus

ON_S = 65.0
OFF_SHARE = 0.4
"""Share of the time after which the ignition of a drawn bus goes off."""


@pytest.mark.parametrize("seed", range(520, 523))
def test_a_bus_that_fell_asleep_before_is_compared_while_the_ignition_was_on(seed: int) -> None:
    before = draw_bus(seed, ON_S / OFF_SHARE, sleeps=True)
    after = draw_bus(seed, 2 * ON_S).trace.between(ON_S, 2 * ON_S)
    assert before.ignition_off_s == pytest.approx(ON_S)
    result = compare(before.trace, after, plan=before.plan).result
    (aligned,) = result.aligned
    assert aligned.state == "on"
    assert aligned.before_s == pytest.approx(ON_S, abs=5.1)  # the block in which it went off counts for neither state
    assert not result.changes
    (without,) = compare(before.trace, after, database=before.plan.database).result.aligned
    assert without.before_s > aligned.before_s + 5  # without a plan nothing tells that the ignition was off


@pytest.mark.parametrize("seed", [520, 522, 524])  # whose buses stay awake for a quarter of a minute
def test_a_recording_with_the_ignition_off_is_compared_with_that_part_of_the_other(seed: int) -> None:
    before = draw_bus(seed, ON_S / OFF_SHARE, sleeps=True)
    assert before.ignition_off_s is not None
    after = before.trace.between(before.ignition_off_s + 0.5, ON_S / OFF_SHARE)
    result = compare(before.trace, after, plan=before.plan).result
    assert [each.state for each in result.aligned] == ["off"]
    assert not [each for each in result.changes if each.change not in {"quiet", "rule", "latency", "supply"}]
    assert any("jitter" in each.what for each in result.not_compared)  # too short a time for that


def test_a_message_that_waits_for_longer_than_half_its_cycle_keeps_its_interval() -> None:
    drawn = draw_bus(910006, 2 * ON_S)  # intervals on the beat alone are 1 % longer in its later half
    halves = drawn.trace.between(0, ON_S), drawn.trace.between(ON_S, 2 * ON_S)
    result = compare(*halves, database=drawn.plan.database).result
    assert not [each for each in result.changes if each.change == "interval"]


def test_answers_that_are_shown_a_cycle_later_are_not_slower() -> None:
    before = draw_bus(910018, ON_S / OFF_SHARE, sleeps=True)
    after = draw_bus(910018, 2 * ON_S).trace.between(ON_S, 2 * ON_S)
    result = compare(before.trace, after, plan=before.plan).result
    assert not [each for each in result.changes if each.change == "latency"]
