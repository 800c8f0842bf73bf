"""Needing: how many more exercises would settle which place shows a control."""

from __future__ import annotations

from canlens.measures.coincidence import hypergeometric_tail

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
