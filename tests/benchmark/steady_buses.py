"""Steady buses: constant periodic traffic at a moderate load, every frame late or early by itself; what is possible.

A bus is drawn with identifiers of all usual cycles and nodes with clocks and jitter of their own, as the rehearsals
draw them; arbitration and frame lengths are theirs too. Each recording has phases of its own, as after a new start.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from canlens.database import Database, Message
from canlens.plan import Bus, Controller, Plan
from canlens.rehearsal.batches import Batch, foreign_messages
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.healthy_bus import record_healthy
from canlens.rehearsal.rehearsals import START_S
from tests.drawn.installs import draw_habit

if TYPE_CHECKING:
    from canlens.rehearsal.install import Habit
    from canlens.signals import Floats
    from canlens.trace import Trace

CYCLES_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
LOADS = (0.1, 0.35)
BIT_RATES = (250_000, 500_000)
NODES = 6
UNIFORM_KURTOSIS, NORMAL_KURTOSIS = 1.8, 3.0
NORMAL = NormalDist()


def steady_messages(seed: int) -> tuple[Plan, dict[str, tuple[Habit, bool]]]:
    """Draw a bus; return its plan, and for each message how it is sent and whether its jitter is bell-shaped."""
    draws = Draws(seed, "steady bus")
    bit_rate = draws.choice(BIT_RATES)
    load = draws.uniform(*LOADS)
    own = [Message(f"Own{number}", 0x100 + number, False, 8, (), each, ()) for number, each in enumerate(CYCLES_S)]
    more = foreign_messages(Database(tuple(own)), load=load, bit_rate=bit_rate, draws=draws)
    nodes = [(draw_habit(draws), number % 2 == 1) for number in range(NODES)]
    habits = {each.name: draws.choice(nodes) for each in (*own, *more)}
    return Plan("", "", Database((*own, *more)), {}, {}, Bus(bit_rate), Controller()), habits


def steady_trace(seed: int, seconds: float, recording: str, *, jittery: str = "", times: float = 1.0) -> Trace:
    """Record a steady bus; one message may jitter so many times as much."""
    plan, habits = steady_messages(seed)
    batches = []
    for message in plan.database.messages:
        habit, is_bell = habits[message.name]
        draws = Draws(seed, f"{recording} {message.name}")
        cycle_s = (message.cycle_time_s or 1.0) * (1 + (habit.clock or 0.0))
        number = int(seconds / cycle_s)
        width_s = habit.jitter_s * (times if message.name == jittery else 1.0)
        off_s = draws.noise(number) * width_s / 3**0.5 if is_bell else draws.uniforms(-width_s, width_s, number)
        ready_s = np.sort(0.01 + (draws.uniform(0.0, 1.0) + np.arange(number)) * cycle_s + off_s)
        payload = np.zeros((number, message.length), np.uint8)
        payload[:, 0] = np.arange(number) % 256
        batches.append(Batch(message, ready_s, payload, {}))
    return record_healthy(plan, batches, START_S * 10**9)[0]


def ideal_power(frames: int, tests: int, *, level: float, ratio: float, kurtosis: float | None = None) -> float:
    """Return how often the best test finds a standard deviation that grew so many times, the only change of so many.

    Every frame's own time is taken as known, and the first threshold of Benjamini and Hochberg as the level. Without a
    kurtosis it is the F-test of normal values; else the normal approximation of the logarithm of a standard deviation,
    whose variance is (kurtosis - 1) / (4 n).
    """
    tail = level / tests / 2
    if kurtosis is None:
        freedom = frames - 1
        high, low = stats.f.isf(tail, freedom, freedom), stats.f.ppf(tail, freedom, freedom)
        found = stats.f.sf(high / ratio**2, freedom, freedom) + stats.f.cdf(low / ratio**2, freedom, freedom)
        return float(found)
    error = math.sqrt((kurtosis - 1) / 4 * 2 / frames)
    return NORMAL.cdf(math.log(ratio) / error - NORMAL.inv_cdf(1 - tail))


def mean_power(frames: Floats, tests: Floats, *, level: float, ratio: float, kurtosis: float | None) -> float:
    """Return the mean of :func:`ideal_power` over pairs of recordings."""
    each = [
        ideal_power(int(n), int(m), level=level, ratio=ratio, kurtosis=kurtosis)
        for n, m in zip(frames, tests, strict=True)
    ]
    return float(np.mean(each)) if each else float("nan")
