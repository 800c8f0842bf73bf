"""Counting: how many exercises, drawn into how many slots, make an error as rare as is wished.

If slots are drawn at random before anything is done, the slots in which a bit moves that has nothing to do with the
control are unrelated to the draw, whatever the rhythm of the bus: the number of exercises it meets by chance is
hypergeometric.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from canlens.errors import UsageError
from canlens.measures.outputs.coincidence import hypergeometric_masses
from canlens.wording import counted

ROUNDING = 1 + 1e-9
"""Chances that differ by less are the same: logarithms of factorials are summed."""
MOST_SLOTS = 600
"""More slots than this nobody works through in one recording."""
FEWEST_RESTS = 2
SLOTS_TO_AN_EXERCISE = 3
"""Slots for each exercise of one control, at least: with 8 exercises 24 slots, most telling for the time it takes."""


@dataclass(frozen=True)
class Size:
    """How many slots, and how often each control is operated in them; ``misses`` may stay unanswered."""

    slots: int
    exercises: int
    misses: int


def chance_if_all_answer(strata: list[tuple[int, int]], *, misses: int = 0) -> float:
    """Return the chance that an unrelated place goes on with all exercises but ``misses``, and in no other slot.

    Parameters
    ----------
    strata
        (slots, exercises) of each state of the vehicle in which slots were drawn by themselves.
    misses
        Exercises without an answer; they are taken from where that costs most.

    References
    ----------
    The upper tail of the hypergeometric distribution, strata added up (Fisher's exact test).

    Examples
    --------
    >>> round(1 / chance_if_all_answer([(24, 8)]))
    735471
    """
    return max(
        _tail(strata, [taken if row == stratum else 0 for row in range(len(strata))])
        for stratum, (_, exercises) in enumerate(strata)
        for taken in {min(misses, exercises)}
    )


def _tail(strata: list[tuple[int, int]], missed: list[int]) -> float:
    """Return P(at least as many hits), the missed ones of each stratum left out."""
    masses, hits = [1.0], 0
    for (slots, exercises), lost in zip(strata, missed, strict=True):
        answered = exercises - lost
        own = hypergeometric_masses(slots, answered, exercises).tolist()
        masses = [
            sum(masses[i] * own[total - i] for i in range(len(masses)) if 0 <= total - i < len(own))
            for total in range(len(masses) + len(own) - 1)
        ]
        hits += answered
    return min(1.0, float(sum(masses[hits:])))


def fewest_exercises(slots: int, *, places: int, chance: float, misses: int = 0) -> int | None:
    """Return how many exercises of one control in so many slots keep the chance of error below the one wished for.

    Parameters
    ----------
    slots
        Drawn from.
    places
        Bits, or outputs, that could be mistaken for it.
    chance
        Wished for all places together, 0 to 1.
    misses
        Exercises that may stay unanswered.

    Returns
    -------
    int or None
        None where no number does.

    Examples
    --------
    >>> fewest_exercises(24, places=6400, chance=0.01)
    8
    """
    for exercises in range(misses + 1, slots // 2 + 1):
        if chance_if_all_answer([(slots, exercises)], misses=misses) * places <= chance * ROUNDING:
            return exercises
    return None


def size_for(controls: int, slots: int | None, *, places: int, chance: float, at_least: int = 1) -> Size:
    """Return how many slots and exercises a session of some controls needs.

    Parameters
    ----------
    controls
        How many are drawn into the same slots.
    slots
        As the person wishes; None for as many as it takes, one miss allowed.
    places, chance
        As for :func:`fewest_exercises`.
    at_least
        Exercises of a control that are needed in any case.

    Raises
    ------
    UsageError
        If so many slots are too few; says how many it takes.
    """
    if slots is None:
        return _smallest(controls, places, chance, at_least, misses=1)
    for misses in (1, 0):
        exercises = _exercises(controls, slots, places, chance, at_least, misses)
        if exercises is not None:
            return Size(slots, exercises, misses)
    needed = _smallest(controls, places, chance, at_least, misses=0)
    rests = needed.slots - controls * needed.exercises
    raise UsageError(
        f"--slots {slots}: too few for {counted(controls, 'control')}. Expected at least {needed.slots}: "
        f"{needed.exercises} exercises of each and {rests} slots left alone keep the chance of an error at "
        f"{100 * chance:g} % among {places} candidates. Leave out --slots for a number that allows one miss."
    )


def _exercises(controls: int, slots: int, places: int, chance: float, at_least: int, misses: int) -> int | None:
    """Return the exercises of each control that fit into the slots with enough rests; None if they do not."""
    fewest = fewest_exercises(slots, places=places, chance=chance, misses=misses)
    if fewest is None:
        return None
    exercises = max(fewest, at_least)
    return exercises if controls * exercises + rests_for(exercises) <= slots else None


def rests_for(exercises: int) -> int:
    """Return how many slots must be left alone beside so many exercises of each control, at least."""
    return max(FEWEST_RESTS, math.ceil(exercises / 2))


def _smallest(controls: int, places: int, chance: float, at_least: int, *, misses: int) -> Size:
    """Return the smallest session that does."""
    for slots in range(FEWEST_RESTS + 1, MOST_SLOTS + 1):
        exercises = _exercises(controls, slots, places, chance, at_least, misses)
        if exercises is not None and (misses == 0 or SLOTS_TO_AN_EXERCISE * exercises <= slots):
            return Size(slots, exercises, misses)
    raise UsageError(
        f"{controls} controls at a chance of error of {100 * chance:g} % take more than {MOST_SLOTS} slots. "
        "Divide them over several recordings."
    )
