"""Own jitter: how far each message strays from its beat by itself, the waits for the bus taken out."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.comparing.hidden_shapes import LEAST, REACH, Hidden, Shape, shape_of
from canlens.measures.comparing.own_beats import own_beats
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.comparing.own_beats import Lines
    from canlens.measures.comparing.waiting import Ready
    from canlens.measures.intervals import Intervals
    from canlens.signals import Floats
    from canlens.streams import Streams
    from canlens.trace import Ints

ROUNDS = 3
"""So often lines and distribution are fitted in turn."""
LONGEST_STEP = 1.5
"""Standard deviations by which a line moves at once, at the most."""
FEWEST_WORTH = 3.0
"""Lines on which less is known stay where they are."""
LEAST_SCALE_NS = 100.0
FARTHEST = 4.0
BATCH = 1 << 16
"""Frames that are measured together; what fits the cache is quick."""


@dataclass(frozen=True, eq=False)
class OwnJitter:
    """What each of j groups of frames tells of its message's jitter.

    Attributes
    ----------
    worth
        float64 (j,): how many frames of which all is known would tell as much.
    square_s2
        float64 (j,): their squared deviations from the beat [s²], added up. Divided by ``worth`` it is the variance;
        by chance it may be negative where hardly anything is known.
    """

    worth: Floats
    square_s2: Floats


def own_jitter(found: Intervals, streams: Streams, ready: Ready, group: Ints, groups: int) -> OwnJitter:
    """Measure how far frames stray from the beat by themselves.

    Of a frame that found the bus free it is known when it was ready. Looking at those alone would be wrong: which
    frames these are depends on when they were ready, and changes as the clocks of nodes drift past each other. A frame
    that waited was ready between two bounds, and tells as much as they do: its squared deviation is the one expected
    between them. What it lacks in worth is the variance that is left between them (T. A. Louis, J. R. Statist. Soc.
    B 44 (1982) 226-233: what is observed is what is complete less what is missing).

    Parameters
    ----------
    found, streams, ready
        Of the whole recording.
    group, groups
        int64 (m,): number of the group of each frame of the streams' ``rows``; how many groups there are.
    """
    worth, square_s2 = np.zeros(groups), np.zeros(groups)
    for chosen in _batches(streams):
        lines = own_beats(found, streams, chosen, ready)
        if lines is None:
            continue
        each_worth, each_s2 = _measured(lines, chosen)
        number = group[lines.place]
        worth += np.bincount(number, each_worth, minlength=groups)
        square_s2 += np.bincount(number, each_s2, minlength=groups)
    is_known = worth > 0
    return OwnJitter(np.where(is_known, worth, 0.0), np.where(is_known, square_s2, 0.0))


def _batches(streams: Streams) -> Iterator[range]:
    """Yield numbers of streams that follow each other, with not too many frames together."""
    part = streams.start[:-1] // BATCH
    borders = [*np.flatnonzero(np.append(True, np.diff(part) != 0)[: len(part)]).tolist(), len(part)]
    yield from itertools.starmap(range, itertools.pairwise(borders))


@dataclass(frozen=True, eq=False)
class _Expected:
    """What the distribution says of each value, in units of its stream's scale.

    ``first``, ``second`` and ``fourth`` are the means of its powers, all from the mean of its stream on; ``told`` how
    much of a stream's variance is not left between its bounds.
    """

    first: Floats
    second: Floats
    fourth: Floats
    told: Floats


def _expected(hidden: Hidden, shape: Shape, least: Floats) -> _Expected:
    """Ask the distribution for each value that is hidden; others are what they are."""
    value = np.clip(least, -REACH, REACH)
    first, second, told = value, value * value, np.ones(len(value))
    fourth = second * second
    unknown, ends = ~hidden.is_known, hidden.ends
    share = np.maximum(shape.between(ends, 0), LEAST)
    first[unknown], second[unknown], fourth[unknown] = (shape.between(ends, power) / share for power in (1, 2, 4))
    variance = np.maximum(shape.moment(2) - shape.moment(1) ** 2, LEAST)[hidden.stream[unknown]]
    told[unknown] = np.clip(1 - (second[unknown] - first[unknown] ** 2) / variance, 0.0, 1.0)
    return _Expected(first, second, fourth, told)


def _measured(lines: Lines, chosen: range) -> tuple[Floats, Floats]:
    """Return worth and squared deviation [s²] of each frame."""
    stream = lines.stream - chosen.start
    scale_ns = _scales(lines, stream, len(chosen))
    for rest in reversed(range(ROUNDS)):
        unit = scale_ns[stream]
        least = lines.least_ns / unit
        hidden = Hidden.of(stream, (least, lines.most_ns / unit), lines.is_free, len(chosen))
        shape = shape_of(hidden)
        expected = _expected(hidden, shape, least)
        if rest:
            lines = _moved(lines, expected, unit)
            spread = np.sqrt(np.maximum(shape.moment(2) - shape.moment(1) ** 2, 0.0))
            scale_ns = np.maximum(scale_ns * spread, LEAST_SCALE_NS)
    mean, square = shape.moment(1)[stream], shape.moment(2)[stream]
    spread = np.maximum(shape.moment(4)[stream] - square**2, LEAST)
    worth = 1 - np.where(lines.is_free, 0.0, expected.fourth - expected.second**2) / spread
    lost = _lost(lines, expected.told)[lines.line]
    off = expected.second - 2 * mean * expected.first + mean**2
    variance = square - mean**2
    deviation = (variance * worth + off - variance) * lost
    return worth, deviation * (scale_ns[stream] / NANOSECONDS_PER_SECOND) ** 2


def _scales(lines: Lines, stream: Ints, streams: int) -> Floats:
    """Return about the standard deviation of each stream's frames that found the bus free [ns]; few stray far."""
    square = np.where(lines.is_free, lines.most_ns, 0.0) ** 2
    used = lines.is_free
    for _ in range(ROUNDS):
        total, count = (np.bincount(stream, each * used, minlength=streams) for each in (square, np.ones(len(used))))
        scale_ns = np.maximum(np.sqrt(total / np.maximum(count, 1)), LEAST_SCALE_NS)
        used = lines.is_free & (square <= (FARTHEST * scale_ns[stream]) ** 2)
    return scale_ns


def _moved(lines: Lines, expected: _Expected, unit: Floats) -> Lines:
    """Lay each line anew through what is expected of its frames, each with the weight of what is known of it."""
    line, weight = lines.line, expected.told
    told = lines.sums(weight)
    is_known = told >= FEWEST_WORTH
    told = np.where(is_known, told, 1.0)
    off = lines.number - (lines.sums(weight * lines.number) / told)[line]
    up = np.where(is_known, lines.sums(expected.first) / told, 0.0)
    turn = np.where(is_known, lines.sums(off * expected.first) / lines.reach(lines.sums(weight * off**2)), 0.0)
    step_ns = np.clip(up[line] + turn[line] * off, -LONGEST_STEP, LONGEST_STEP) * unit
    return replace(lines, least_ns=lines.least_ns - step_ns, most_ns=lines.most_ns - step_ns)


def _lost(lines: Lines, weight: Floats) -> Floats:
    """Return how many times larger deviations would be from the true line than from one laid through them, (l,)."""
    told = lines.sums(weight)
    off = lines.number - (lines.sums(weight * lines.number) / np.maximum(told, LEAST))[lines.line]
    squares = lines.sums(weight * off**2)
    freedom = 1 + squares / lines.reach(squares)
    return np.asarray(told / np.maximum(told - freedom, 1.0), np.float64)
