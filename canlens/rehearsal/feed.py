"""Feed: what the outputs' loads draw, what that does to the controller's supply, and when it restarts for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.output_model import FULL_LEVEL, USUAL_LOAD
from canlens.rehearsal.timeline import from_spans

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.plan import Output
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.output_model import LoadWay, OutputCourse, OutputModel
    from canlens.rehearsal.timeline import Spans, Timeline
    from canlens.signals import Floats

BOOT_S = (0.25, 1.2)
"""How long the controller takes to start; our choice."""
COME_BACK_S = 0.06
"""How soon after that it switches outputs on again."""
MOST_RESTARTS = 12
"""In a row: then the supply has had enough time to recover, or the person gives up."""


@dataclass(frozen=True)
class Sag:
    """A sagging supply.

    Attributes
    ----------
    output
        The one that pulls it down.
    drop_v
        By how much, while it is on [V].
    after_s
        How long the controller lasts after the output came on [s].
    chance
        That it does not last.
    """

    output: str
    drop_v: float
    after_s: float
    chance: float


def draw_restarts(sag: Sag, lit: Sequence[tuple[float, float]], draws: Draws) -> Spans:
    """Draw when the controller is dead: after each turn-on of the output, and again when it comes back.

    Parameters
    ----------
    sag
        The supply.
    lit
        When the output would be on with a good supply: spans [s].
    draws
        Random numbers.
    """
    dead: list[tuple[float, float]] = []
    long_enough = [place for place, (start_s, stop_s) in enumerate(lit) if start_s + 1.3 * sag.after_s < stop_s]
    for place, (start_s, stop_s) in enumerate(lit):
        now, tries = start_s, 0
        is_last_chance = not dead and long_enough[-1:] == [place]
        chance = 1.0 if is_last_chance and sag.chance else sag.chance  # a fault that never struck would be none
        while now + sag.after_s < stop_s and tries < MOST_RESTARTS and draws.uniform(0.0, 1.0) < chance:
            died_s = now + sag.after_s * draws.uniform(0.7, 1.3)
            back_s = died_s + draws.uniform(*BOOT_S)
            if dead and died_s <= dead[-1][1]:
                break
            dead.append((died_s, back_s))
            now, tries, chance = back_s + COME_BACK_S, tries + 1, sag.chance
    return tuple(dead)


BATTERY_V = (12.3, 12.7)
CHARGING_V = (13.7, 14.2)
"""A rested lead battery, and the same with the engine charging it (common practice)."""
CHARGE_AFTER_S = 1.2
"""From ignition on to charging."""
FEED_OHM = (0.008, 0.02)
"""Resistance of the controller's feed: 0.1 to 0.2 V at 10 A, within what workshop manuals call good (0.2
V)."""
NOISE_SHARE = 0.01
NOISE_V = 0.02
SURGE = (0.3, 1.5)
SURGE_S = (0.02, 0.08)
"""Inrush above the settled current, as a share of it, and how long it takes to die away; our choice for
lamps and motors."""
BELOW_LIMIT = 0.9
"""A healthy load keeps its inrush below this share of its output's limit."""
OVER_LIMIT = (1.25, 1.7)
"""A load that draws too much, as a multiple of the limit."""


@dataclass(frozen=True, eq=False)
class OutputLoad:
    """One output's load: its settled and its inrush current, and what is odd about it."""

    course: OutputCourse
    amps: float
    surge: float
    surge_s: float
    way: LoadWay = USUAL_LOAD

    def current(self, time_s: Floats) -> Floats:
        """Return the current at each time, float64 (n,) [A], without noise."""
        lit = self.course.lit.jumps()
        rises = np.append(-np.inf, lit.time_s[lit.value > 0])
        age_s = time_s - rises[np.searchsorted(rises, time_s, side="right") - 1]
        dying = np.maximum(0.0, 1.0 - age_s / self.surge_s)
        settled = self.amps * self.course.level.at(time_s) / FULL_LEVEL
        current: Floats = settled * (1.0 + self.surge * dying)
        return current * (1.0 - from_spans(self.way.rests).at(time_s)) if self.way.rests else current


def load_of(output: Output, model: OutputModel, course: OutputCourse, draws: Draws) -> OutputLoad:
    """Return an output's load; one that trips draws more than the output's limit, an open one nothing."""
    limit = output.peak_a or output.continuous_a
    surge_s = draws.uniform(*SURGE_S)
    surge, over = draws.uniform(*SURGE), draws.uniform(*OVER_LIMIT)
    if model.is_open or not model.way.is_fed:
        return OutputLoad(course, 0.0, 0.0, surge_s, model.way)
    if model.trip is not None:
        return OutputLoad(course, over * (limit or 2.0 * model.load_a), 0.0, surge_s, model.way)
    room = (BELOW_LIMIT * limit / model.load_a - 1.0) if limit and model.load_a else surge
    return OutputLoad(course, model.load_a, max(0.0, min(surge, room)), surge_s, model.way)


def measured_current(load: OutputLoad, draws: Draws) -> Callable[[Floats], Floats]:
    """Return what the controller reports: the current with the noise of its measurement, never below 0."""

    def value(time_s: Floats) -> Floats:
        current = load.current(time_s - load.way.lag_s)
        told = current * (1.0 + NOISE_SHARE * draws.noise(len(time_s)))
        if load.way.noise_a:
            told = told + load.way.noise_a * draws.noise(len(time_s))
        return np.maximum(0.0, told)

    return value


@dataclass(frozen=True, eq=False)
class Feed:
    """The controller's supply: the battery, soon charging with the engine on, less what the wires lose.

    A weak one loses ``sag_v`` more while the output whose course is ``sagging`` is on.
    """

    running: Timeline
    loads: tuple[OutputLoad, ...]
    battery_v: float
    charging_v: float
    ohm: float
    sagging: Timeline | None = None
    sag_v: float = 0.0

    def volts(self, time_s: Floats) -> Floats:
        """Return the voltage at each time, float64 (n,) [V], without noise."""
        charging = self.running.at(time_s - CHARGE_AFTER_S)
        total = np.zeros(len(time_s))
        for load in self.loads:
            total = total + load.current(time_s)
        volts = self.battery_v + (self.charging_v - self.battery_v) * charging - self.ohm * total
        return volts if self.sagging is None else volts - self.sag_v * self.sagging.at(time_s)


def feed_of(running: Timeline, loads: Sequence[OutputLoad], draws: Draws) -> Feed:
    """Draw a supply."""
    battery_v, charging_v = draws.uniform(*BATTERY_V), draws.uniform(*CHARGING_V)
    return Feed(running, tuple(loads), battery_v, charging_v, draws.uniform(*FEED_OHM))


def measured_supply(feed: Feed, draws: Draws) -> Callable[[Floats], Floats]:
    """Return the supply as the controller reports it, with noise."""
    return lambda time_s: feed.volts(time_s) + NOISE_V * draws.noise(len(time_s))


def measured_voltage(feed: Feed, load: OutputLoad, draws: Draws) -> Callable[[Floats], Floats]:
    """Return the voltage reported at a terminal: the supply times the level, 0 while the output is off."""

    def value(time_s: Floats) -> Floats:
        volts = feed.volts(time_s) + NOISE_V * draws.noise(len(time_s))
        return np.maximum(0.0, volts * load.course.level.at(time_s) / FULL_LEVEL * load.way.is_fed)

    return value
