"""Lanes: what every control and output did, cut into equal parts of the recording, so that it can be drawn small."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from canlens.evidence import Evidence, Steps, Track
    from canlens.plan.rule import States
    from canlens.signals import Floats
    from canlens.trace import Ints

CHANGED = 2
"""State of a part in which something was on as well as off."""


@dataclass(frozen=True, eq=False)
class Lane:
    """What one control or output did, part by part.

    Attributes
    ----------
    name, kind
        Whose it is.
    state
        int8 (parts,): 1 on, 0 off, 2 both, -1 unknown.
    answered, missed, unasked
        int64 (parts,): exercises that an output answered in time; those that it did not; rises that nobody asked
        for. All 0 for a control.
    """

    name: str
    kind: Literal["control", "output"]
    state: States
    answered: Ints
    missed: Ints
    unasked: Ints


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


def _counted(edges_s: Floats, *steps: Steps) -> Ints:
    """Count the steps in each part."""
    times_s = np.concatenate([each.time_s for each in steps])
    at = np.clip(np.searchsorted(edges_s, times_s, "right") - 1, 0, len(edges_s) - 2)
    return np.bincount(at, minlength=len(edges_s) - 1).astype(np.int64)
