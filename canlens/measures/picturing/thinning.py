"""Thinning: fewer points that draw the same, with every extreme and every edge kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.signals import Floats
    from canlens.trace import Rows

BUCKETS = 1000
"""Buckets of a thinned column: a bucket is about a pixel of a wide picture (our choice)."""


def extremes(value: Floats, *, buckets: int = BUCKETS) -> Rows:
    """Choose the rows that draw a quantity: of each bucket of rows the first, the last, the least and the greatest.

    Parameters
    ----------
    value
        float64 (n,): in order of time; nan where there is no value.
    buckets
        How many parts the rows are cut into, 1 or more.

    Returns
    -------
    intp (k,)
        Rows, ascending, each once; all of them where there are no more than four for a bucket. A nan is kept only as
        the first or last of a bucket, or where all of its bucket are.

    Examples
    --------
    >>> extremes(np.array([0.0, 1, 9, 2, 1, 0, 0, 0]), buckets=1).tolist()
    [0, 2, 7]
    """
    number = len(value)
    if number <= 4 * buckets:
        return np.arange(number)
    border = np.linspace(0, number, buckets + 1).astype(np.intp)
    chosen = [border[:-1], border[1:] - 1]
    for worst, sign in ((np.inf, 1.0), (-np.inf, -1.0)):
        plain = np.where(np.isnan(value), worst, value) * sign
        least = np.minimum.reduceat(plain, border[:-1])
        matching = np.flatnonzero(plain == np.repeat(least, np.diff(border)))
        chosen.append(matching[np.searchsorted(matching, border[:-1])])
    return np.unique(np.concatenate(chosen))


def fair_share(numbers: Sequence[int], most: int) -> int:
    """Return how many points each of some columns may have, so that all together have no more than ``most``.

    Columns that need less leave their room to the others.

    Examples
    --------
    >>> fair_share([10, 500, 700], 1000), fair_share([10, 20], 1000)
    (495, 990)
    """
    allowed, left = most, most
    for position, number in enumerate(sorted(numbers)):
        allowed = left // (len(numbers) - position)
        if number > allowed:
            break
        left -= number
    return allowed


def turns(value: Floats) -> Rows:
    """Choose the rows at which a line is not level: the first, the last, and all that differ from a neighbour.

    What is left out lies on the line between two rows that are kept.

    Examples
    --------
    >>> turns(np.array([0.0, 0, 0, 5, 5, 5, 5])).tolist()
    [0, 2, 3, 6]
    """
    number = len(value)
    if number <= 2:  # noqa: PLR2004 – a line has two ends
        return np.arange(number)
    differs = value[1:] != value[:-1]
    return np.flatnonzero(np.concatenate(([True], differs[1:] | differs[:-1], [True])))


def edges(number: int, *, most: int) -> Rows:
    """Choose which of many steps are drawn.

    Up to ``most`` all are. Of more, each bucket of neighbouring steps keeps its first two and its last two, so that it
    still shows both states, and the state that it leaves.

    Returns
    -------
    intp (k,)
        Steps, ascending, each once.
    """
    if number <= most:
        return np.arange(number)
    border = np.linspace(0, number, max(most // 4, 1) + 1).astype(np.intp)
    first, after = border[:-1], border[1:]
    return np.unique(np.concatenate((first, np.minimum(first + 1, after - 1), np.maximum(after - 2, first), after - 1)))
