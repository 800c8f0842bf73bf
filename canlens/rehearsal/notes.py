"""Notes: what the person writes down beside the recording – operations, the meter, what eye and ear saw."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.nouns import REST, Mark, Observation, Reading, Readings
from canlens.rehearsal.timeline import Timeline, from_spans

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.plan import Plan
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.rehearsal.schedule import Schedule

HAND_S = (-0.15, 0.35)
"""How far off a person notes the time of an operation [s]."""
EYE_S = (0.05, 0.45)
"""How late a person notes what an output did [s]."""
BLINK_PERIODS = 1.3
"""Pauses of a flashing output shorter than this many planned periods are taken for its flashing."""
TERMINATED_OHM = (58.5, 61.5)
"""Two 120 Ω terminators side by side, with the meter's error."""


def noted_marks(schedule: Schedule, start_s: float, draws: Draws) -> tuple[Mark, ...]:
    """Return what the person noted, by time."""
    noted = [(one.start_s, one.end_s, one.control) for one in schedule.operations]
    noted += [(begin_s, end_s, REST) for begin_s, end_s in schedule.rests]
    return tuple(
        Mark(
            round(start_s + begin_s + draws.uniform(*HAND_S), 2),
            label,
            round(start_s + end_s + draws.uniform(*HAND_S), 2),
        )
        for begin_s, end_s, label in sorted(noted)
    )


def meter_readings(meter: Mapping[str, tuple[float, float]], draws: Draws) -> Readings:
    """Return what the meter shows.

    Parameters
    ----------
    meter
        Name of a reading -> least and greatest value, where a fault changes it; with its own noise.
    draws
        Random numbers.
    """
    values = {
        "h_l_ohm": round(draws.uniform(*TERMINATED_OHM), 1),
        "battery_v": round(draws.uniform(12.4, 12.7), 2),
        "ground_drop_v": round(draws.uniform(0.02, 0.12), 2),
    }
    values |= {name: round(draws.uniform(*ends), 2) for name, ends in meter.items()}
    return Readings(values={name: Reading(name, value) for name, value in values.items()})


def seen_outputs(
    plan: Plan, schedule: Schedule, courses: Mapping[str, OutputCourse], start_s: float, draws: Draws
) -> tuple[Observation, ...]:
    """Return what eye and ear saw of the outputs that nothing on the bus shows, by time.

    The person notes each change, and looks once while a control of the output's rule is operated, so that it is
    also noted where nothing happened.
    """
    seen = []
    for name, output in plan.outputs.items():
        if output.command is not None:
            continue
        blink_s = BLINK_PERIODS / output.flash_hz if output.flash_hz else 0.0
        spans = courses[name].lit.spans(schedule.end_s) if name in courses else []
        lit = _without_blinks(spans, blink_s)
        changes_s = [float(time) for time in lit.time_s if 0.0 < time < schedule.end_s]
        looks_s = [
            draws.uniform(0.6 * one.start_s + 0.4 * one.end_s, 0.4 * one.start_s + 0.6 * one.end_s)
            for one in schedule.operations
            if one.control in output.when.controls
        ]
        for time_s in (0.0, *changes_s, *looks_s):
            on = bool(lit.at(np.array([time_s]))[0])
            late_s = draws.uniform(*EYE_S) if time_s in changes_s else 0.0
            seen.append(Observation(round(start_s + time_s + late_s, 2), name, on))
    return tuple(sorted(seen, key=lambda one: (one.time_s, one.output)))


def _without_blinks(spans: list[tuple[float, float]], blink_s: float) -> Timeline:
    """Return 1 inside the spans, with pauses shorter than ``blink_s`` filled."""
    joined: list[tuple[float, float]] = []
    for start_s, stop_s in spans:
        if joined and start_s - joined[-1][1] < blink_s:
            joined[-1] = (joined[-1][0], stop_s)
        else:
            joined.append((start_s, stop_s))
    return from_spans(joined)
