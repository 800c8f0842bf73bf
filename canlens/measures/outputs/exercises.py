"""Exercises, one by one and as lanes: what became of each, and every control against every output."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.answers import answers
from canlens.nouns.pictures import Crossing, ExerciseRow, Lane
from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from canlens.nouns.outputs import Evidence, Places, Track
    from canlens.nouns.pictures import Outcome, RowOutcome
    from canlens.plan.rule import States
    from canlens.signals import Floats
    from canlens.trace import Ints


# Crossing: for every control and every output, how many of the control's exercises the output followed.


def crossings(evidence: Evidence) -> tuple[Crossing, ...]:
    """Hold every control of a recording against every output that the bus shows.

    This counts what followed what, whatever else a rule asks for: a control that works only together with another one
    is followed only then. The verdicts rest on the rules, not on these counts.

    Returns
    -------
    tuple of Crossing
        Control by control in plan order, in each the outputs in plan order; outputs that nothing shows are left out.
    """
    return tuple(
        _crossing(evidence, control, output)
        for control in evidence.controls
        for output, each in evidence.outputs.items()
        if each.track is not None
    )


def _crossing(evidence: Evidence, control: str, output: str) -> Crossing:
    planned, track = evidence.plan.outputs[output], evidence.outputs[output].track
    if track is None:
        raise ValueError(f"nothing shows {output}")
    own = evidence.controls[control].track
    found = answers(own, track, within_s=planned.within_s)
    was_off = track.at(found.due.time_s, side="left") == OFF
    latency_s = found.latency_s
    return Crossing(
        control,
        output,
        is_planned=control in planned.when.controls,
        exercises=len(evidence.controls[control].exercises),
        due=int(was_off.sum()),
        followed=len(found.answered),
        median_s=float(np.median(latency_s)) if len(latency_s) else None,
        longest_s=float(latency_s.max()) if len(latency_s) else None,
    )


# Exercise rows: every exercise of an output's rule, one by one, and what became of it.


def exercise_rows(evidence: Evidence) -> tuple[ExerciseRow, ...]:
    """Return every exercise of a recording: output by output in plan order, each in order of time."""
    return tuple(row for name in evidence.outputs for row in _of_output(evidence, name))


def _of_output(evidence: Evidence, name: str) -> list[ExerciseRow]:
    found = evidence.outputs[name].answers
    timed: tuple[Outcome, Outcome] = ("answered", "late")
    rows = [
        ExerciseRow(name, time_s, line, outcome, latency_s)
        for outcome, steps, latencies in zip(
            timed, (found.answered, found.late), (found.latency_s, found.late_s), strict=True
        )
        for time_s, line, latency_s in zip(steps.time_s.tolist(), steps.line.tolist(), latencies.tolist(), strict=True)
    ]
    untimed: tuple[RowOutcome, ...] = ("unanswered", "too-short", "still-on", "unasked")
    rows += [
        ExerciseRow(name, time_s, line, outcome)
        for outcome, steps in zip(untimed, (found.unanswered, found.too_short, found.held, found.unasked), strict=True)
        for time_s, line in zip(steps.time_s.tolist(), steps.line.tolist(), strict=True)
    ]
    return sorted(rows, key=lambda row: (row.time_s, row.line))


# Lanes: what every control and output did, cut into equal parts of the recording, so that it can be drawn small.


CHANGED = 2
"""State of a part in which something was on as well as off."""


def lanes(evidence: Evidence, *, parts: int) -> tuple[Lane, ...]:
    """Cut what the controls and outputs of a recording did into equal parts.

    Nothing is lost in a part: a control that was on for a moment makes it *both*, and every exercise counts in the part
    in which its rule went on. A control without a known state is unknown, not off.

    Parameters
    ----------
    evidence
        What was measured on the recording.
    parts
        How many, 1 or more.

    Returns
    -------
    tuple of Lane
        Controls, then outputs, in plan order; empty for a recording without length.
    """
    end_s = evidence.recording.duration_s
    if not end_s > 0:
        return ()
    edges_s = np.linspace(0.0, end_s, parts + 1)
    nothing = np.zeros(parts, np.int64)
    controls = [
        Lane(name, "control", _states(each.track, edges_s), nothing, nothing, nothing)
        for name, each in evidence.controls.items()
    ]
    outputs = [
        Lane(
            name,
            "output",
            _states(each.track, edges_s),
            _counted(edges_s, each.answers.answered),
            _counted(edges_s, each.answers.late, each.answers.unanswered),
            _counted(edges_s, each.answers.unasked),
        )
        for name, each in evidence.outputs.items()
    ]
    return (*controls, *outputs)


def _states(track: Track | None, edges_s: Floats) -> States:
    """Return the state of each part; a part reaches up to, not into, the next one."""
    if track is None:
        return np.full(len(edges_s) - 1, UNKNOWN, np.int8)
    start_s, stop_s = edges_s[:-1], np.nextafter(edges_s[1:], 0)
    stop_s[-1] = edges_s[-1]
    on, off = track.ever(ON, start_s, stop_s), track.ever(OFF, start_s, stop_s)
    return np.select([on & off, on, off], [CHANGED, ON, OFF], UNKNOWN).astype(np.int8)


def _counted(edges_s: Floats, *steps: Places) -> Ints:
    """Count the steps in each part."""
    times_s = np.concatenate([each.time_s for each in steps])
    at = np.clip(np.searchsorted(edges_s, times_s, "right") - 1, 0, len(edges_s) - 2)
    return np.bincount(at, minlength=len(edges_s) - 1).astype(np.int64)
