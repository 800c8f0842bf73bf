"""Chances: how likely a place that has nothing to do with a control would follow it as well, exactly."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.measures.discovering.slots import matched
from canlens.measures.outputs.coincidence import hypergeometric_masses, hypergeometric_tail

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.discovering.places import TriedPlaces
    from canlens.measures.discovering.slots import Slots
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


# Chances: how likely a place that has nothing to do with a control would follow it as well, exactly.
#
# Slots in which the control was operated were drawn at random, so under the null hypothesis that a place does not
# follow it, the answered slots are a random sample of all slots: the number of answered exercises is hypergeometric,
# whatever else the bus does. Draws are taken within one state of the vehicle; the states are added up.


WORD = 8
MIX = np.uint64(0xBF58476D1CE4E5B9)
"""An odd number that spreads bits well (D. Stafford's mixing function of 2011)."""
ROUNDING = 1 + 1e-9
"""Chances that differ by less are the same."""


SHARES = (0.75, 0.25, 0.25)
"""How the error allowed is shared among bits, fields and levels (our choice, made before any session was seen: most
controls are bits). Levels are looked for apart, in what bits and fields left unexplained."""


@dataclass(frozen=True, eq=False)
class Chances:
    """The chance of every place for one control; F places.

    Attributes
    ----------
    answered, stray
        int64 (F,): exercises, and slots left alone, in which each place went on and off.
    single
        float64 (F,): the chance of each place alone.
    kind
        int64 (F,): bit, field or level.
    curves
        P(h or more exercises are answered) for h = 0, 1, …, for places of several sorts.
    number
        int64 (F,): which of the curves holds for each place.
    hits
        bool (F, used slots): what each place did; those of a kind that did the same in every slot count as one.
    besides
        float64 (F,): what else tells places apart, multiplied in for their order only; None: nothing.
    """

    answered: Ints
    stray: Ints
    single: Floats
    kind: Ints
    curves: Sequence[Floats]
    number: Ints
    hits: Bools
    besides: Floats | None = None

    @cached_property
    def tails(self) -> dict[int, list[tuple[Floats, int]]]:
        """Of each kind of place the curves, and for how many different places each holds."""
        first = different(self.hits, self.kind)
        kind, number = self.kind[first], self.number[first]
        counts = {each: np.bincount(number[kind == each]) for each in np.unique(kind).tolist()}
        return {
            each: [(self.curves[index], int(own[index])) for index in np.flatnonzero(own).tolist()]
            for each, own in counts.items()
        }

    def expected(self, single: float, kind: int) -> float:
        """Return how many places would do as well as one of a kind if none had to do with the control.

        Each adds the greatest chance it can attain that is no greater than ``single``: with so few slots many
        can never come so low, and add nothing. What is expected bounds the chance that any does.
        """
        total = 0.0
        for tail, count in self.tails.get(kind, ()):
            attained = tail[tail <= single * ROUNDING]
            total += count * (float(attained.max()) if len(attained) else 0.0)
        return total / SHARES[kind]

    def corrected(self, place: int, *, times: float = 1.0) -> float:
        """Return the chance that any place would do as well as this one; ``times`` counts how often was searched."""
        return min(1.0, self.expected(float(self.single[place]), int(self.kind[place])) * times)

    @property
    def weighed(self) -> Floats:
        """float64 (F,): what the places are put in order by: the chance of each alone over the share of its kind."""
        alone = self.single if self.besides is None else self.single * self.besides
        return np.asarray(alone / np.array(SHARES)[self.kind], np.float64)

    @property
    def least(self) -> float:
        """How many places would be expected to do as well as the best one; 1 without places."""
        best = [np.flatnonzero(self.kind == kind) for kind in np.unique(self.kind)]
        return min((self.expected(float(self.single[own].min()), int(self.kind[own[0]])) for own in best), default=1.0)


def chances(matched: Bools, kind: Ints, exercises: Bools, compared: Bools, stratum: Ints) -> Chances:
    """Put every place to the exact test for one control.

    Parameters
    ----------
    matched
        bool (F, T): in which slots each place went on and off.
    kind
        int64 (F,): bit, field or level.
    exercises, compared
        bool (T,): slots in which the control was operated, and in which it was left alone.
    stratum
        int64 (T,): state of the vehicle.

    References
    ----------
    Fisher's exact test, by strata; Westfall and Wolfinger, "Multiple Tests with Discrete Distributions", The American
    Statistician 51 (1997) 3-8, for the correction by attainable values.
    """
    used = exercises | compared
    states = np.unique(stratum[exercises])
    inside = [used & (stratum == state) for state in states]
    margin = np.stack([matched[:, own].sum(axis=1, dtype=np.int64) for own in inside], axis=1)
    sizes = [(int(own.sum()), int((own & exercises).sum())) for own in inside]
    known, number = _kinds(margin)
    tails = [_tail(tuple(sizes), tuple(row)) for row in known.tolist()]
    answered = matched[:, exercises].sum(axis=1)
    width = max((len(tail) for tail in tails), default=1)
    table = np.zeros((len(tails), width))
    for row, tail in zip(table, tails, strict=True):
        row[: len(tail)] = tail
    return Chances(
        answered=answered,
        stray=matched[:, compared].sum(axis=1),
        single=table[number, answered] if len(answered) else np.zeros(0),
        kind=kind,
        curves=tails,
        number=number,
        hits=matched[:, used],
    )


def _kinds(margin: Ints) -> tuple[Ints, Ints]:
    """Return the different rows of a table, and the number of each row among them."""
    if margin.shape[1] == 1:
        known, number = np.unique(margin[:, 0], return_inverse=True)
        return known[:, None], number
    known, number = np.unique(margin, axis=0, return_inverse=True)
    return known, number.ravel()


@lru_cache(maxsize=4096)
def _tail(sizes: tuple[tuple[int, int], ...], margin: tuple[int, ...]) -> Floats:
    """Return P(at least h hits), h = 0, 1, …, for (slots, exercises) and answered slots of each state."""
    masses = np.ones(1)
    for (slots, operated), answered in zip(sizes, margin, strict=True):
        masses = np.convolve(masses, hypergeometric_masses(slots, answered, operated))
    return np.asarray(np.minimum(np.cumsum(masses[::-1])[::-1], 1.0), np.float64)


def different(matched: Bools, kind: Ints) -> Ints:
    """Return one place, as its index, for all of a kind that did the same in every slot."""
    _, first = np.unique(_hashed(matched, kind), return_index=True)
    return np.asarray(first, np.int64)


def _hashed(matched: Bools, kind: Ints) -> npt.NDArray[np.uint64]:
    """Return one number for all that a place did, uint64 (F,); of different rows hardly ever the same."""
    packed = np.packbits(matched, axis=1)
    wide = np.zeros((len(packed), -(-packed.shape[1] // WORD) * WORD), np.uint8)
    wide[:, : packed.shape[1]] = packed
    out = (kind.astype(np.uint64) + np.uint64(1)) * MIX
    for column in wide.view(np.uint64).T:
        out = (out ^ column) * MIX
        out ^= out >> np.uint64(29)
    return out


# Coverage: the chance model for marks without rest slots, and the test by shifts that stands beside it.
#
# Where no slot was left alone at times drawn at random, nothing exact can be said. The model takes the times of the
# exercises as unrelated to the rhythm of the bus: an exercise is then answered by chance as often as a random
# time would be. The test by shifts moves all marks round the recording and counts how often a place does as well.


STEPS = 200
"""Shares of the time are told apart in so many steps for each factor of ten, rounded up."""
MOST_SHIFTS = 400
BLOCK = 200_000
"""Pulses that are measured in one step."""


def coverage(tried: TriedPlaces, slots: Slots, exercises: Bools, *, duration_s: float) -> Floats:
    """Return the share of all times at which an exercise would be answered by each place, float64 (F,).

    Parameters
    ----------
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


def shift_chance(
    tried: TriedPlaces, slots: Slots, exercises: Bools, hits: Ints, *, span_s: tuple[float, float]
) -> Floats:
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


# Needing: how many more exercises would settle which place shows a control.


MOST_MORE = 60
"""Nobody operates a control more often than this in one session."""
LEAST_RESTS = 2
"""Rest slots to an exercise, at least: with 8 exercises, 24 slots (what makes the draw most telling for the time it
takes)."""


def more_exercises(*, places: int, exercises: int, rests: int, answered: int, stray: int, level: float) -> int | None:
    """Return how many more exercises, all answered, bring the best place below a level.

    Parameters
    ----------
    places
        How many places the chance is corrected for.
    exercises, rests
        Slots operated and left alone so far.
    answered, stray
        Those in which the best place went on and off; all 0 for a new session.
    level
        The chance wanted for all places together.

    Returns
    -------
    int or None
        None where :data:`MOST_MORE` would not do.

    Examples
    --------
    >>> more_exercises(places=6400, exercises=0, rests=0, answered=0, stray=0, level=0.01)
    8
    >>> more_exercises(places=6400, exercises=5, rests=10, answered=5, stray=0, level=0.01)
    3
    """
    for more in range(1, MOST_MORE + 1):
        added = max(0, LEAST_RESTS * (exercises + more) - rests)
        slots = exercises + rests + more + added
        chance = hypergeometric_tail(slots, answered + stray + more, exercises + more, answered + more)
        if chance * places <= level:
            return more
    return None
