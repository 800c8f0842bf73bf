"""Capture: what passes on the bus → what the recorder makes of it, with lost frames and a clock of its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.draws import Draws
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.rehearsal.timeline import Spans
    from canlens.trace import Ints, Trace

COPY_S = (0.0, 0.00006)
"""How much later the second copy of a frame is stamped that the recorder writes twice; our choice."""


@dataclass(frozen=True)
class ClockStep:
    """The recorder's clock is set.

    Attributes
    ----------
    at_s
        When [s].
    by_s
        How far, forward where above 0 [s]; None: it starts anew from 0, as after a restart.
    """

    at_s: float
    by_s: float | None


@dataclass(frozen=True)
class Capture:
    """How the recorder takes down what passes on the bus.

    Attributes
    ----------
    lost
        Chance of each frame to be lost.
    gaps
        Spans in which all frames are lost [s].
    span
        When the recording begins and ends [s]; None for all of it.
    batch_s
        Frames come to the recorder in packets so far apart, and are stamped when they come [s]; 0: each by itself.
    stamp_s
        Coarsest step of the stamps [s]; 0: as on a good recorder.
    steps
        When its clock is set, ascending.
    is_twice
        Whether each frame is written twice.
    """

    lost: float = 0.0
    gaps: Spans = ()
    span: tuple[float, float] | None = None
    batch_s: float = 0.0
    stamp_s: float = 0.0
    steps: tuple[ClockStep, ...] = ()
    is_twice: bool = False


COMPLETE = Capture()
"""Every frame, once, when it passed."""


def captured(trace: Trace, capture: Capture, *, start_ns: int, seed: int) -> Trace:
    """Return what the recorder writes.

    Parameters
    ----------
    trace
        What passed on the bus, by time.
    capture
        How it is taken down.
    start_ns
        Clock of the recorder at time 0 [ns].
    seed
        Of the rehearsal; every step has random numbers of its own.
    """
    if capture == COMPLETE or not len(trace):
        return trace
    time_s = (trace.time_ns - start_ns) / NANOSECONDS_PER_SECOND
    kept = np.ones(len(trace), np.bool_)
    if capture.lost:
        kept &= Draws(seed, "lost frames").uniforms(0.0, 1.0, len(trace)) >= capture.lost
    for begin_s, end_s in capture.gaps:
        kept &= (time_s < begin_s) | (time_s >= end_s)
    if capture.span is not None:
        kept &= (time_s >= capture.span[0]) & (time_s < capture.span[1])
    rows = np.flatnonzero(kept)
    stamps = trace.time_ns[rows]
    if capture.batch_s:
        stamps = _in_steps(stamps - start_ns, capture.batch_s, up=True) + start_ns
    if capture.is_twice:
        rows, stamps = np.repeat(rows, 2), np.repeat(stamps, 2)
        later = Draws(seed, "second copies").uniforms(*COPY_S, len(rows))
        later[::2] = 0.0
        stamps = stamps + np.rint(later * NANOSECONDS_PER_SECOND).astype(np.int64) // 1000 * 1000
    if capture.stamp_s:
        stamps = _in_steps(stamps, capture.stamp_s, up=False)
    for step in reversed(capture.steps):
        after = time_s[rows] >= step.at_s
        if after.any():
            stamps = np.where(after, stamps + _shift(stamps[after], step), stamps)
    return replace(trace.where(rows), time_ns=stamps, line=np.arange(1, len(rows) + 1))


def _in_steps(stamps: Ints, step_s: float, *, up: bool) -> Ints:
    """Return stamps as multiples of a step, the next or the last one."""
    step_ns = round(step_s * NANOSECONDS_PER_SECOND)
    return -(-stamps // step_ns) * step_ns if up else stamps // step_ns * step_ns


def _shift(later: Ints, step: ClockStep) -> int:
    """Return by how much a clock is set [ns], by the stamps after that."""
    return -int(later[0]) if step.by_s is None else round(step.by_s * NANOSECONDS_PER_SECOND)
