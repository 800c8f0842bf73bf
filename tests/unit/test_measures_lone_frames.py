from __future__ import annotations

import math

import pytest

from canlens import compare
from canlens.baseline import STEP_S
from canlens.comparison import make_baseline
from tests.unit.small_buses import Sent, bus, others


def _spread_s(sent: Sent) -> float:
    """Return the root mean square of the spreads of all blocks of a message that is alone on its bus [s]."""
    (only,) = make_baseline(bus(sent, end_s=300).trace).channels[0].identifiers
    return math.sqrt((only.free_spread**2 * (only.free - 1)).sum() / (only.free - 1).sum()) * STEP_S


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.5, 1.0])
def test_the_spread_is_that_of_an_interval_between_two_frames_that_jitter(every_s: float) -> None:
    # the variance of a difference of two independent numbers is the sum of their variances
    sent = Sent("Slow", 0x100, every_s=every_s, jitter_s=0.001)
    assert _spread_s(sent) == pytest.approx(math.sqrt(2) * 0.001, rel=0.12)


def test_a_cycle_that_is_kept_exactly_has_no_spread() -> None:
    assert _spread_s(Sent("Slow", 0x100, every_s=0.5)) < 1e-6


@pytest.mark.parametrize(("every_s", "end_s"), [(0.5, 125), (1.0, 245)])
def test_jitter_of_slow_messages_that_grew_by_half_is_found_in_minutes(every_s: float, end_s: float) -> None:
    sent = [Sent("Slow", 0x100, every_s=every_s, jitter_s=jitter_s) for jitter_s in (0.001, 0.0015)]
    before, after = (bus(each, *others(), end_s=end_s, seed=seed) for seed, each in enumerate(sent))
    found = compare(before.trace, after.trace).result.changes
    assert [(each.change, each.subject[0]) for each in found] == [("jitter", "0x100")]
