"""Background: what the signals carry that no control and no output has a hold on."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.rehearsal.conditions import value_range
from canlens.rehearsal.encoding import raw_limits, to_raw

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.database import SignalDefinition
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.timeline import Timeline
    from canlens.signals import Floats

COUNTER_NAME = re.compile(r"counter|alive|sequence|rolling", re.IGNORECASE)
CHECKSUM_NAME = re.compile(r"checksum|crc", re.IGNORECASE)
"""How people name such signals; a DBC has no other place to say it."""
SWITCH_BITS = 3
"""Signals up to this length are taken for switches and stay at rest."""
SPEED_UNITS = {"km/h", "kph", "mph", "m/s"}
ENGINE_UNITS = {"rpm", "1/min", "min-1", "r/min"}
KNOT_S = (2.0, 7.0)
"""Values wander from one drawn value to the next in times drawn from here."""
WANDER_SHARE = (0.004, 0.04)
"""How far they wander, as a share of their range."""
IDLE_SHARE = 0.22
"""Where an idling engine turns, as a share of the signal's range."""


@dataclass(frozen=True, eq=False)
class Source:
    """Where the raw values of a signal come from.

    Attributes
    ----------
    raw
        Times of the frames, ascending [s] -> raw values, whole numbers or float64.
    changes_s
        When the value changes, for messages that are sent on a change [s].
    """

    raw: Callable[[Floats], npt.NDArray[np.generic]]
    changes_s: Floats = field(default_factory=lambda: np.zeros(0))


def background(definition: SignalDefinition, draws: Draws, running: Timeline) -> Source:
    """Invent a course: a counter counts, a switch rests, a standing vehicle's speed is 0, others wander.

    Parameters
    ----------
    definition
        Its name tells counters, its unit speeds.
    draws
        Random numbers of this signal.
    running
        1 while the engine runs.
    """
    if COUNTER_NAME.search(definition.name):
        return _counter(definition, draws)
    low, high = value_range(definition)
    if definition.table or definition.length <= SWITCH_BITS or definition.unit in SPEED_UNITS:
        rest = min(max(0.0, low), high)
        return Source(lambda time_s: to_raw(definition, np.full(len(time_s), rest)))
    if definition.unit in ENGINE_UNITS:
        turn = wandering(low + IDLE_SHARE * (high - low), 0.01 * (high - low), draws)
        return Source(lambda time_s: to_raw(definition, turn(time_s) * running.at(time_s)))
    reach = (high - low) * draws.uniform(*WANDER_SHARE)
    value = wandering(draws.uniform(low + 2 * reach, high - 2 * reach), reach, draws)
    return Source(lambda time_s: to_raw(definition, value(time_s)))


def wandering(middle: float, reach: float, draws: Draws) -> Callable[[Floats], Floats]:
    """Return a value over time: straight lines between drawn values within ``reach`` of ``middle``."""
    knot_s = draws.uniform(*KNOT_S)

    def value(time_s: Floats) -> Floats:
        place = time_s / knot_s
        index = np.floor(place).astype(np.int64)
        knots = draws.uniforms(middle - reach, middle + reach, int(index.max(initial=0)) + 2)
        return knots[index] + (knots[index + 1] - knots[index]) * (place - index)

    return value


def _counter(definition: SignalDefinition, draws: Draws) -> Source:
    """Count frames, from a drawn start, round and round."""
    low, high = raw_limits(definition)
    start, span = draws.integer(0, min(high, 255)), min(high - low + 1, 1 << 62)
    return Source(lambda time_s: (start + np.arange(len(time_s))) % span + low)
