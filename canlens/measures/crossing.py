"""Crossing: for every control and every output, how many of the control's exercises the output followed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.answers import answers
from canlens.plan.rule import OFF

if TYPE_CHECKING:
    from canlens.evidence import Evidence


@dataclass(frozen=True)
class Crossing:
    """One control against one output.

    Attributes
    ----------
    control, output
        Their names.
    is_planned
        Whether the output's rule names the control.
    exercises
        How often the control was operated.
    due, followed
        Exercises that met the output off and left it time to come on, and those that it followed in time.
    median_s, longest_s
        From the exercise to the output [s]; None where it followed none.
    """

    control: str
    output: str
    is_planned: bool
    exercises: int
    due: int
    followed: int
    median_s: float | None
    longest_s: float | None


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
