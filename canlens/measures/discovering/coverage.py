"""Coverage: the chance model for marks without rest slots, and the test by shifts that stands beside it.

Where no slot was left alone at times drawn at random, nothing exact can be said. The model takes the times of the
exercises as unrelated to the rhythm of the bus: an exercise is then answered by chance as often as a random
time would be. The test by shifts moves all marks round the recording and counts how often a place does as well.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.discovering.chances import Chances, chances
from canlens.measures.discovering.matching import matched

if TYPE_CHECKING:
    from canlens.measures.discovering.places import Tried
    from canlens.measures.discovering.slots import Slots
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

STEPS = 200
"""Shares of the time are told apart in so many steps for each factor of ten, rounded up."""
MOST_SHIFTS = 400
BLOCK = 200_000
"""Pulses that are measured in one step."""


def coverage(tried: Tried, slots: Slots, exercises: Bools, *, duration_s: float) -> Floats:
    """Return the share of all times at which an exercise would be answered by each place, float64 (F,).

    Parameters
    ----------
    tried, slots
        F places, T slots.
    exercises
        bool (T,): those of one control.
    duration_s
        Span of the recording [s].
    """
    total = np.zeros(len(tried.places))
    rise_s, fall_s = slots.rise_s[exercises], slots.fall_s[exercises]
    for begin in range(0, len(tried.pulses), BLOCK):
        pulses = tried.pulses.where(np.arange(begin, min(begin + BLOCK, len(tried.pulses))))
        slack_s = tried.slack_s[pulses.place]
        for (rise_from, rise_to), (fall_from, fall_to) in zip(rise_s, fall_s, strict=True):
            low = np.maximum(pulses.rise_s - rise_to, pulses.fall_s - fall_to) - slack_s
            high = np.minimum(pulses.rise_s - rise_from, pulses.fall_s - fall_from)
            total += np.bincount(pulses.place, np.maximum(high - low, 0.0), minlength=len(total))
    return np.minimum(total / max(int(exercises.sum()), 1) / max(duration_s, 1e-3), 1.0)


def modelled(hits: Bools, kind: Ints, covered: Floats, exercises: Bools, compared: Bools) -> Chances:
    """Put every place to the chance model for one control: a binomial count with each place's coverage.

    Slots in which other controls were operated put the places in order besides, but are no draw to rest a chance on.

    Parameters
    ----------
    hits
        bool (F, T): in which slots each place went on and off.
    kind
        int64 (F,): bit, field or level.
    covered
        float64 (F,): coverage of each place.
    exercises, compared
        bool (T,): slots in which the control was operated, and in which only others were.
    """
    count = int(exercises.sum())
    step = np.ceil(np.log10(np.maximum(covered, 1e-9)) * STEPS).astype(np.int64)
    known, number = np.unique(step, return_inverse=True)
    tails = [_binomial_tail(count, min(1.0, 10 ** (each / STEPS))) for each in known.tolist()]
    answered = hits[:, exercises].sum(axis=1)
    table = np.array(tails).reshape(len(tails), count + 1)
    return Chances(
        answered=answered,
        stray=hits[:, compared].sum(axis=1),
        single=table[number, answered] if len(answered) else np.zeros(0),
        kind=kind,
        curves=tails,
        number=number,
        hits=hits[:, exercises | compared],
        besides=chances(hits, kind, exercises, compared, np.zeros(len(exercises), np.int64)).single,
    )


@lru_cache(maxsize=4096)
def _binomial_tail(count: int, share: float) -> Floats:
    """Return P(at least h of ``count``), h = 0 … count, each with the chance ``share``."""
    masses = np.ones(1)
    for _ in range(count):
        masses = np.convolve(masses, (1 - share, share))
    return np.asarray(np.minimum(np.cumsum(masses[::-1])[::-1], 1.0), np.float64)


def shift_chance(tried: Tried, slots: Slots, exercises: Bools, hits: Ints, *, span_s: tuple[float, float]) -> Floats:
    """Return for each place the share of shifts of all marks round the recording at which it does as well.

    Parameters
    ----------
    tried, slots
        F places (a few), T slots.
    exercises
        bool (T,): those of one control.
    hits
        int64 (F,): exercises answered without a shift.
    span_s
        First and last time of the recording [s].

    Returns
    -------
    float64 (F,)
        Never below the share of shifts that are too small to matter.

    References
    ----------
    K. D. Harris, "A Shift Test for Independence in Generic Time Series", arXiv:2012.06862.
    """
    length_s = span_s[1] - span_s[0]
    if length_s <= 0 or not len(tried.places):
        return np.ones(len(tried.places))
    number = max(2, min(MOST_SHIFTS, int(length_s / max(slots.jitter_s / 2, 0.1))))
    wins = np.zeros(len(tried.places))
    for shift_s in np.arange(number) * (length_s / number):
        there = matched(tried, slots, shift_s=float(shift_s)) | matched(tried, slots, shift_s=float(shift_s) - length_s)
        wins += there[:, exercises].sum(axis=1) >= hits
    return wins / number
