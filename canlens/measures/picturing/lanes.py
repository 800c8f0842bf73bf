"""Lanes of a picture: every step of controls and outputs, every exercise and its answer, and what could not be seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.measures.picturing.thinning import edges
from canlens.picture_evidence import Joins, Moments, Shade, StepLane

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.evidence import ControlEvidence, Evidence, OutputEvidence, Steps, Track
    from canlens.picture_evidence import Outcome, ShadeKind
    from canlens.signals import Floats

MOST_STEPS = 8000
"""Steps that all lanes of a picture show together; below it none is left out (our choice: about 0.3 MB of page)."""
FEWEST_STEPS = 200


def step_lanes(evidence: Evidence, *, most: int = MOST_STEPS) -> tuple[StepLane, ...]:
    """Return the lanes of a recording: controls, then outputs, in plan order.

    An output that nothing on the bus shows has a lane without steps. Where the steps of all lanes are more than
    ``most``, the lanes with more than their equal share are thinned, see :func:`.thinning.edges`.
    """
    tracks: list[Track | None] = [each.track for each in evidence.controls.values()]
    tracks += [each.track for each in evidence.outputs.values()]
    allowed = _allowed([0 if each is None else len(each.time_s) for each in tracks], most)
    controls = [
        _lane("control", name, each.track, each.marked, exercises=len(each.exercises), most=allowed)
        for name, each in evidence.controls.items()
    ]
    outputs = [
        _lane("output", name, each.track, None, exercises=len(each.answers.due), most=allowed)
        for name, each in evidence.outputs.items()
    ]
    return (*controls, *outputs)


def _allowed(numbers: list[int], most: int) -> int:
    """Return how many steps a lane may have so that all together stay below ``most``."""
    allowed, left = most, most
    for position, number in enumerate(sorted(numbers)):
        allowed = left // (len(numbers) - position)
        if number > allowed:
            break
        left -= number
    return max(allowed, FEWEST_STEPS)


def _lane(
    kind: Literal["control", "output"],
    name: str,
    track: Track | None,
    marked: Floats | None,
    *,
    exercises: int,
    most: int,
) -> StepLane:
    marked_s = marked if marked is not None else np.zeros(0)
    if track is None:
        nothing = np.zeros(0)
        return StepLane(name, kind, nothing, np.zeros(0, np.int8), np.zeros(0, np.int64), 0, exercises, marked_s)
    at = edges(len(track.time_s), most=most)
    return StepLane(
        name, kind, track.time_s[at], track.state[at], track.line[at], len(track.time_s), exercises, marked_s
    )


def joins(evidence: Evidence) -> tuple[Joins, ...]:
    """Return every exercise of every output's rule by its outcome; only outcomes that happened."""
    return tuple(
        each
        for name, own in evidence.outputs.items()
        for each in _joins(
            own, {mover: evidence.controls[mover] for mover in evidence.plan.outputs[name].when.controls}
        )
    )


def _joins(own: OutputEvidence, controls: Mapping[str, ControlEvidence]) -> Iterator[Joins]:
    """Yield the exercises of one output; ``controls`` are those of its rule."""
    found = own.answers
    every: tuple[tuple[Outcome, Steps, Floats | None], ...] = (
        ("answered", found.answered, found.latency_s),
        ("late", found.late, found.late_s),
        ("unanswered", found.unanswered, None),
        ("too-short", found.too_short, None),
        ("held", found.held, None),
    )
    for outcome, steps, timed_s in every:
        if not len(steps):
            continue
        is_timed = timed_s is not None and len(timed_s) == len(steps)
        latency_s = timed_s if timed_s is not None and is_timed else np.full(len(steps), np.nan)
        yield Joins(own.name, outcome, steps.time_s, steps.line, latency_s, _movers(steps, controls))


def _movers(steps: Steps, controls: Mapping[str, ControlEvidence]) -> tuple[str, ...]:
    """Name the control whose step began each exercise: the one with a step at that very time."""
    movers = np.full(len(steps), -1)
    names = list(controls)
    for number, own in enumerate(controls.values()):
        times_s = own.track.time_s
        if len(times_s):
            at = np.minimum(np.searchsorted(times_s, steps.time_s), len(times_s) - 1)
            movers[(times_s[at] == steps.time_s) & (movers < 0)] = number
    return tuple(names[number] if number >= 0 else "" for number in movers.tolist())


def moments(evidence: Evidence) -> tuple[Moments, ...]:
    """Return where outputs rose unasked, or fell though nothing explains it."""
    found = []
    for name, own in evidence.outputs.items():
        unasked, dropped = own.answers.unasked, own.dropped
        found.append(Moments(name, "unasked", unasked.time_s, unasked.line))
        found.append(Moments(name, "dropped", dropped.time_s, dropped.line))
    return tuple(each for each in found if len(each.time_s))


def shades(evidence: Evidence) -> tuple[Shade, ...]:
    """Return the stretches in which the bus was silent, a channel stopped, or the controller was away."""
    quiet, supply = evidence.bus_evidence.quiet, evidence.supply
    spans: dict[ShadeKind, list[tuple[float, float]]] = {
        "bus-silent": [(each.silent_from_s, each.first.time_s) for each in quiet.wakes] if quiet else [],
        "channel-stopped": [(each.from_s, each.to_s) for each in quiet.stops] if quiet else [],
        "controller-away": [(float(start), float(stop)) for start, stop in supply.restarts_s] if supply else [],
    }
    return tuple(
        Shade(kind, np.array([start for start, _ in own]), np.array([stop for _, stop in own]))
        for kind, own in spans.items()
        if own
    )
