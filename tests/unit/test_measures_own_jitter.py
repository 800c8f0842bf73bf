from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens import compare
from canlens.comparison import make_baseline
from canlens.database import Database, Message
from canlens.measures.comparing.own_jitter import CENTRES, MOST_FRAMES, Hidden, ready, shape_of
from canlens.plan import Bus, Controller, Plan
from canlens.rehearsal.batches import Batch
from canlens.rehearsal.healthy_bus import busy_ns, record_healthy, waiting_frames
from canlens.wire import exact_bits
from tests.unit.small_buses import Sent, bus, others

if TYPE_CHECKING:
    from canlens.trace import Trace

BIT_RATE = 250_000
CYCLES_S = (0.002, 0.003, 0.005, 0.02)
"""Together they take about half the time of the bus."""
WIDTH_S = 0.0003


def _spread_s(sent: Sent) -> float:
    """Return the root mean square of the spreads of all blocks of a message that is alone on its bus [s]."""
    (only,) = make_baseline(bus(sent, end_s=300).trace).channels[0].identifiers
    total, worth = only.squares.sum(axis=0)
    return math.sqrt(max(total, 0.0) / worth)


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


def _crowded(seed: int, *, end_s: float = 60.0) -> tuple[Plan, list[Batch], Trace]:
    """Record a bus on which many frames wait, each message with the same jitter, urgent ones with short cycles."""
    draws = np.random.default_rng(seed)
    batches = []
    for number, cycle_s in enumerate(CYCLES_S):
        beats = np.arange(int(end_s / cycle_s))
        ready_s = np.sort(0.01 + cycle_s * (draws.random() + beats) + draws.uniform(-WIDTH_S, WIDTH_S, len(beats)))
        message = Message(f"M{number}", 0x100 + number, False, 8, (), cycle_s, ())
        batches.append(Batch(message, ready_s, np.zeros((len(beats), 8), np.uint8), {}))
    database = Database(tuple(batch.message for batch in batches))
    plan = Plan("", "", database, {}, {}, Bus(BIT_RATE), Controller())
    return plan, batches, record_healthy(plan, batches, 0)[0]


@pytest.mark.parametrize("seed", range(3))
def test_every_frame_was_ready_within_its_bounds(seed: int) -> None:
    plan, batches, trace = _crowded(seed, end_s=10.0)  # the rehearsal's arbitration knows when each really was ready
    busy = busy_ns(plan, trace, exact_bits(trace)) + 3 * 10**9 // BIT_RATE
    found = ready(trace, busy)
    true = waiting_frames(plan, batches)
    waited = 0
    for identifier in (batch.message.identifier for batch in batches):
        own = trace.identifier == identifier
        true_ns = np.sort(true.time_ns[true.identifier == identifier])
        slack_ns = 3 * 10**9 // BIT_RATE + 2_000  # intermission is counted before a frame here, stamps are microseconds
        assert (found.least_ns[own] - slack_ns <= true_ns).all()
        assert (true_ns <= found.most_ns[own] + slack_ns).all()
        waited += int(np.count_nonzero(~found.is_free[own]))
    assert waited > len(trace) / 4


@pytest.mark.parametrize("seed", range(3))
def test_waits_for_the_bus_are_no_jitter(seed: int) -> None:
    plan, _, trace = _crowded(seed)
    true_s = math.sqrt(2) * WIDTH_S / math.sqrt(3)  # a uniform number strays by its half width over the root of three
    for each in make_baseline(trace, plan.database, bit_rate=BIT_RATE).channels[0].identifiers:
        total, worth = each.squares.sum(axis=0)
        assert worth > min(each.frames, MOST_FRAMES) / 8
        assert math.sqrt(total / worth) == pytest.approx(true_s, rel=0.1)
        intervals_s = np.diff(trace.time_ns[trace.identifier == each.identifier]) / 1e9
        assert intervals_s.std() > 1.1 * true_s


def test_a_distribution_is_found_though_most_values_are_hidden() -> None:
    draws = np.random.default_rng(1)
    value = draws.uniform(-2, 2, 20_000)
    grid = draws.uniform(-4, 4, (2, 20_000))
    least, most = grid.min(axis=0), grid.max(axis=0)
    hides = (least < value) & (value < most)
    bounds = np.where(hides, least, value), np.where(hides, most, value)
    found = shape_of(Hidden.of(np.zeros(20_000, np.int64), bounds, ~hides, 1))
    assert hides.mean() > 0.3
    assert found.share.sum() == pytest.approx(1.0)
    assert found.moment(1)[0] == pytest.approx(0.0, abs=0.05)
    assert found.moment(2)[0] == pytest.approx(4 / 3, rel=0.08)  # the variance of a uniform number: width squared / 12
    assert found.share[0, np.abs(CENTRES) > 3].sum() < 0.02
