"""Model of one output: the controls that the controller sees → when the output is on, and how strongly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.timeline import Timeline, all_jumps, constant, from_spans

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.plan import Output, Rule
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.timeline import Spans

FULL_LEVEL = 100.0
LATENCY_S = (0.012, 0.045)
"""From the control's frame to a healthy controller's output [s]; our choice: one to a few rounds of a
program that runs every 10 to 20 ms."""
TIMER_ERROR = 0.004
"""Largest relative error of a healthy controller's timers; our choice, far above that of a quartz, below
the tolerance."""
OFF_SHARE = 0.7
"""An output that may go off later, or fades, does so after this share of the time it is given (our choice)."""


@dataclass(frozen=True)
class Trip:
    """Switching off by over-current: after how long [s], how many new tries, how far apart [s].

    ``is_reported`` says whether the output's command signal goes off with the output or stays on.
    """

    after_s: float
    tries: int
    apart_s: float
    is_reported: bool


@dataclass(frozen=True)
class LoadWay:
    """What is odd about a load and the measurement of it.

    Attributes
    ----------
    noise_a
        Noise of the measurement, whatever flows [A].
    lag_s
        How late the current is told [s].
    rests
        Spans in which the load draws nothing, though it is fed: a contact or a switch of its own [s].
    is_fed
        Whether anything comes out of the output.
    """

    noise_a: float = 0.0
    lag_s: float = 0.0
    rests: Spans = ()
    is_fed: bool = True


USUAL_LOAD = LoadWay()
"""A load that draws what it should while it is fed."""


@dataclass(frozen=True)
class OutputModel:
    """How one output behaves; a fault is a small change of it.

    Attributes
    ----------
    rule
        The rule that it really follows.
    stuck
        1 for always on, 0 for never; None for neither.
    latency_s
        Shortest and longest time from the control's frame to the output [s].
    run_on_s, cut_after_s
        Timers [s]; None where there is none.
    level_day, level_night, night
        Level by day and by night, and the control that says night; None where the output has no level.
    flash_when, flash_hz
        When and how fast it flashes; None if never.
    load_a
        What its load draws at full level [A].
    way
        What is odd about it, and the measurement of it.
    is_open
        Whether no current flows.
    trip
        How it switches off by over-current; None if it does not.
    latch, pulse_s, min_on_s, delay_s, off_after_s
        Whether each operation toggles it; how long it is on at each operation, at least, how long its rule must last
        before; how much later it goes off than asked [s].
    """

    rule: Rule
    load_a: float
    way: LoadWay = USUAL_LOAD
    stuck: int | None = None
    latency_s: tuple[float, float] = LATENCY_S
    run_on_s: float | None = None
    cut_after_s: float | None = None
    level_day: float | None = None
    level_night: float | None = None
    night: str | None = None
    flash_when: Rule | None = None
    flash_hz: float | None = None
    is_open: bool = False
    trip: Trip | None = None
    latch: bool = False
    pulse_s: float | None = None
    min_on_s: float | None = None
    delay_s: float | None = None
    off_after_s: float = 0.0

    def run(self, seen: Mapping[str, Timeline], *, end_s: float, draws: Draws, dead: Spans = ()) -> OutputCourse:
        """Let the output follow the controls as the controller sees them, up to ``end_s``.

        While the controller is ``dead`` all is off; timers that ran are forgotten.
        """
        asked = self._asked(seen, end_s, draws, dead)
        fed = self._protected(asked, end_s)
        flash = self._flash(seen, fed, end_s, draws)
        lit, commanded = _both(fed, flash), _both(asked, flash)
        is_told = self.trip is None or self.trip.is_reported
        night = seen[self.night] if self.night is not None else constant(0.0)
        return OutputCourse(lit if is_told else commanded, lit, self._level(lit, night))

    def _asked(self, seen: Mapping[str, Timeline], end_s: float, draws: Draws, dead: Spans) -> Timeline:
        """Follow the rule with latency, run-on and cut-off."""
        if self.stuck is not None:
            return _both(constant(float(self.stuck)), alive(dead))
        ruled = rule_timeline(self.rule, seen)
        if dead:
            ruled = _both(ruled, alive(dead))
        spans = delayed(self._shaped(ruled.spans(end_s), end_s, dead), self.latency_s, draws)
        spans = [(start, end + self.off_after_s) for start, end in spans]
        exact = 1.0 + draws.uniform(-TIMER_ERROR, TIMER_ERROR)
        if self.run_on_s is not None:
            spans = [(start, end + self.run_on_s * exact) for start, end in spans]
        on = from_spans([(start, _end_before(dead, start, end)) for start, end in spans])
        if self.cut_after_s is None:
            return on
        longest = self.cut_after_s * exact
        return from_spans([(start, min(end, start + longest)) for start, end in on.spans(np.inf)])

    def _shaped(self, asked: list[tuple[float, float]], end_s: float, dead: Spans) -> list[tuple[float, float]]:
        """Turn the spans of the rule into those of an output that latches, pulses, stays on or waits."""
        if self.latch:
            return _toggled([start for start, _ in asked if start > 0], end_s, dead)
        if self.pulse_s is not None:
            pulses: list[tuple[float, float]] = []
            for start, _ in asked:
                if start > 0 and (not pulses or start > pulses[-1][1]):
                    pulses.append((start, start + self.pulse_s))
            return pulses
        if self.min_on_s is not None:
            return [(start, max(end, start + self.min_on_s)) for start, end in asked]
        if self.delay_s is not None:
            return [(start + self.delay_s, end) for start, end in asked if start + self.delay_s < end]
        return asked

    def _protected(self, asked: Timeline, end_s: float) -> Timeline:
        """Cut every on-time down to the moments until the over-current switches it off."""
        if self.trip is None:
            return asked
        trip = self.trip
        return from_spans(
            [
                (tried, min(tried + trip.after_s, end))
                for start, end in asked.spans(end_s)
                for tried in (start + k * (trip.after_s + trip.apart_s) for k in range(1 + trip.tries))
                if tried < end
            ]
        )

    def _flash(self, seen: Mapping[str, Timeline], fed: Timeline, end_s: float, draws: Draws) -> Timeline:
        """Return 0 in the dark halves of the flashing and 1 elsewhere; each flashing begins with light."""
        if self.flash_when is None or not self.flash_hz:
            return constant(1.0)
        spans = delayed(rule_timeline(self.flash_when, seen).spans(end_s), self.latency_s, draws)
        half_s = 0.5 / self.flash_hz
        dark = [
            (start + (2 * k + 1) * half_s, min(start + (2 * k + 2) * half_s, end))
            for start, end in _both(from_spans(spans), fed).spans(end_s)
            for k in range(int((end - start) / (2 * half_s)) + 1)
        ]
        off = from_spans(dark)
        return Timeline(off.time_s, 1.0 - off.value, 1.0)

    def _level(self, lit: Timeline, night: Timeline) -> Timeline:
        """Return the level over time in %; full where the plan names none."""
        day_level = FULL_LEVEL if self.level_day is None else self.level_day
        night_level = day_level if self.level_night is None else self.level_night
        times = all_jumps([lit, night])
        value = lit.at(times) * np.where(night.at(times) > 0, night_level, day_level)
        return Timeline(times, value, lit.first * (night_level if night.first else day_level))


@dataclass(frozen=True, eq=False)
class OutputCourse:
    """What one output did: what its command signal says, whether it is fed, and its level in %."""

    told: Timeline
    lit: Timeline
    level: Timeline


def without(course: OutputCourse, drops: Spans) -> OutputCourse:
    """Return what an output did that dropped out now and then."""
    if not drops:
        return course
    there = alive(drops)
    times = all_jumps([course.level, there])
    level = Timeline(times, course.level.at(times) * there.at(times), course.level.first * there.first)
    return OutputCourse(_both(course.told, there), _both(course.lit, there), level)


def model_of(output: Output) -> OutputModel:
    """Return the model of an output that does all that the plan says."""
    limit = output.continuous_a or 4.0
    return OutputModel(
        rule=output.when,
        load_a=output.load_a if output.load_a is not None else 0.5 * limit,
        latency_s=(min(LATENCY_S[0], 0.2 * output.within_s), min(LATENCY_S[1], 0.5 * output.within_s)),
        run_on_s=output.run_on_s,
        cut_after_s=output.cut_after_s,
        level_day=output.level_day,
        level_night=output.level_night,
        night=output.night,
        flash_when=output.flash_when,
        flash_hz=output.flash_hz,
        latch=output.latch,
        pulse_s=output.pulse_s,
        min_on_s=output.min_on_s,
        delay_s=output.delay_s,
        off_after_s=OFF_SHARE * ((output.off_within_s or 0.0) + (output.soft_s or 0.0)),
    )


def _toggled(presses_s: list[float], end_s: float, dead: Spans) -> list[tuple[float, float]]:
    """Return when an output is on that each press toggles; a restart forgets it."""
    spans: list[tuple[float, float]] = []
    began_s: float | None = None
    events = sorted([*((time_s, True) for time_s in presses_s), *((died_s, False) for died_s, _ in dead)])
    for time_s, is_press in events:
        if began_s is not None:
            spans.append((began_s, time_s))
            began_s = None
        elif is_press:
            began_s = time_s
    return spans if began_s is None else [*spans, (began_s, end_s)]


def rule_timeline(rule: Rule, controls: Mapping[str, Timeline]) -> Timeline:
    """Return when a rule is on, 1 or 0, from the timelines of its controls."""
    used = {name: controls[name] for name in rule.controls}
    times = all_jumps(list(used.values()))
    state = rule.evaluate({name: line.at(times).astype(np.int8) for name, line in used.items()})
    first = rule.evaluate({name: np.array([line.first], np.int8) for name, line in used.items()})
    return Timeline(times, state.astype(np.float64), float(first[0])).jumps()


def delayed(
    spans: list[tuple[float, float]], latency_s: tuple[float, float], draws: Draws
) -> list[tuple[float, float]]:
    """Shift each end of each span by a latency; one that starts at 0 was on before and keeps its start."""
    return [
        (start + draws.uniform(*latency_s) if start > 0 else start, end + draws.uniform(*latency_s))
        for start, end in spans
    ]


def _end_before(dead: Spans, start_s: float, end_s: float) -> float:
    """Return when a span ends if the controller dies within it."""
    return min([end_s, *(died for died, _ in dead if start_s < died < end_s)])


def _both(one: Timeline, other: Timeline) -> Timeline:
    """Return the product of two timelines."""
    times = all_jumps([one, other])
    return Timeline(times, one.at(times) * other.at(times), one.first * other.first).jumps()


def alive(dead: Spans) -> Timeline:
    """Return 0 while the controller is dead and 1 elsewhere."""
    off = from_spans(dead)
    return Timeline(off.time_s, 1.0 - off.value, 1.0)
