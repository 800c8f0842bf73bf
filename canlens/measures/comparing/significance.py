"""Significance: exact counts, blocks dealt out anew, and many identifiers tested at once."""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.signals import Floats


BISECTIONS = 100
"""Halvings after which the bounds of an interval stand to the last digit."""
ROUNDING = 1.0 + 1e-7
"""Chances that differ by less are equal."""
CONFIDENCE = 0.95


def conditional_p(before: int, before_s: float, after: int, after_s: float) -> float:
    """Return the two-sided chance of so unequal counts if both rates are equal.

    Given the sum of the counts, the first one is binomial with the first recording's share of the time.

    Parameters
    ----------
    before, after
        Number of events, each by itself: bursts must be counted once.
    before_s, after_s
        How long each was recorded [s], above 0.

    Returns
    -------
    float
        Sum of the chances of all splits that are no likelier than this one; 1 without events.

    References
    ----------
    J. Przyborowski and H. Wilenski, Homogeneity of results in testing samples from Poisson series, Biometrika 31
    (1940) 313-323.

    Examples
    --------
    >>> round(conditional_p(12, 60, 3, 60), 5)
    0.03516
    >>> conditional_p(8, 60, 0, 60)  # 2 ** (1 - 8)
    0.0078125
    """
    number, share = before + after, before_s / (before_s + after_s)
    if not number:
        return 1.0
    chances = [_binomial(number, count, share) for count in range(number + 1)]
    own = chances[before]
    return min(math.fsum(chance for chance in chances if chance <= own * ROUNDING), 1.0)


def doubled_p(before: int, before_s: float, after: int, after_s: float) -> float:
    """Return twice the chance of counts at least as far off on the same side, at most 1.

    With equal times it is :func:`conditional_p`; where they differ a little, that one loses its far tail all at once,
    and this one does not.

    Examples
    --------
    >>> round(doubled_p(5, 60, 0, 60.1), 3), round(conditional_p(5, 60, 0, 60.1), 3)
    (0.062, 0.031)
    """
    number, share = before + after, before_s / (before_s + after_s)
    low = math.fsum(_binomial(number, count, share) for count in range(before + 1))
    high = math.fsum(_binomial(number, count, share) for count in range(before, number + 1))
    return min(2 * low, 2 * high, 1.0)


def ratio_bounds(before: int, before_s: float, after: int, after_s: float) -> tuple[float, float]:
    """Return between which bounds the ratio of the rates, before to after, lies with 95 % confidence.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, for the share of the events.

    Examples
    --------
    >>> [round(bound, 2) for bound in ratio_bounds(12, 60, 3, 60)]
    [1.08, 22.09]
    """
    number, tail = before + after, (1 - CONFIDENCE) / 2
    low = _share(number, before, tail, upper=False) if before else 0.0
    high = _share(number, before, tail, upper=True) if after else 1.0
    scale = after_s / before_s
    return low / (1 - low) * scale if low < 1 else math.inf, high / (1 - high) * scale if high < 1 else math.inf


def proving_s(before: int, before_s: float, *, level: float) -> float:
    """Return how long nothing must be recorded to prove, two-sided, that the rate has fallen [s]; inf without events.

    Examples
    --------
    >>> round(proving_s(6, 60, level=0.05)), round(proving_s(5, 60, level=0.05))
    (51, 65)
    """
    return before_s * ((2 / level) ** (1 / before) - 1) if before else math.inf


def _binomial(number: int, count: int, share: float) -> float:
    """Return the chance of so many of a number."""
    if number <= EXACT:
        return math.comb(number, count) * share**count * (1 - share) ** (number - count)
    ways = math.lgamma(number + 1) - math.lgamma(count + 1) - math.lgamma(number - count + 1)
    return math.exp(ways + count * math.log(share) + (number - count) * math.log1p(-share))


EXACT = 500
"""Up to so many events the chances are computed with whole numbers; above, by logarithms."""


def _share(number: int, count: int, tail: float, *, upper: bool) -> float:
    """Return the share at which the counts at or beyond this one have the chance of one tail."""
    low, high = 0.0, 1.0
    beyond = range(count + 1) if upper else range(count, number + 1)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        chance = math.fsum(_binomial(number, each, middle) for each in beyond) if 0 < middle < 1 else float(not upper)
        if (chance > tail) == upper:
            low = middle
        else:
            high = middle
    return (low + high) / 2


# Exchanging blocks: how often blocks dealt out anew to the two recordings differ as much as the true ones.


DEALS = 9_999
"""Random deals; with the true one they give steps of 1 in 10 000."""
MOST_BLOCKS = 96
"""More blocks of one recording are put together: longer blocks are only safer, and the deals stay quick."""
SEED = 20_011


def exchange_p(before: Floats, after: Floats) -> float:
    """Return the two-sided chance of so unequal ratios if blocks of the two recordings are alike.

    Intervals, loads and the like are not independent from one moment to the next, blocks of some seconds nearly are:
    whole blocks are dealt out, and nothing is assumed of their distribution.

    Parameters
    ----------
    before, after
        float64 (k, 2) and (m, 2): of each block a sum and a weight; what is compared is all sums over all weights.

    Returns
    -------
    float
        At least 1 / (:data:`DEALS` + 1); 1 where a side has no weight.

    References
    ----------
    B. Phipson and G. K. Smyth, Permutation p-values should never be zero, Stat. Appl. Genet. Mol. Biol. 9 (2010) 39.
    """
    before, after = _joined(before), _joined(after)
    if not before[:, 1].sum() or not after[:, 1].sum():
        return 1.0
    blocks = np.concatenate([before, after])
    first = _deals(len(before), len(after)) @ blocks
    second = blocks.sum(axis=0) - first
    own = _difference(before.sum(axis=0)[None, :], after.sum(axis=0)[None, :])[0]
    dealt = _difference(first, second)
    as_far = int(np.count_nonzero(np.abs(dealt) >= abs(own) * (1 - 1e-9)))
    return (as_far + 1) / (DEALS + 1)


def _difference(first: Floats, second: Floats) -> Floats:
    """Return how far the ratios of two sides lie apart, float64 (d,)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = first[:, 0] / first[:, 1], second[:, 0] / second[:, 1]
    return np.nan_to_num(other - one, nan=0.0)


def _joined(blocks: Floats) -> Floats:
    """Put neighbouring blocks together until they are few enough."""
    together = -(-len(blocks) // MOST_BLOCKS)
    return np.add.reduceat(blocks, np.arange(0, len(blocks), together)) if together > 1 else blocks


@cache
def _deals(first: int, second: int) -> Floats:
    """Return random deals, float64 (:data:`DEALS`, first + second): 1 for each block that falls to the first side."""
    draws = np.random.default_rng(SEED).random((DEALS, first + second))
    chosen = np.argpartition(draws, first - 1, axis=1)[:, :first]
    out = np.zeros(draws.shape)
    np.put_along_axis(out, chosen, 1.0, axis=1)
    out.setflags(write=False)
    return out


# Discovery rate: many identifiers tested at once, with the share of false alarms held down.


def benjamini_hochberg(chances: Sequence[float] | Floats) -> Floats:
    """Adjust p-values so that those below a level hold at most that share of false alarms on average.

    Parameters
    ----------
    chances
        n p-values, of tests that are independent or go the same way.

    Returns
    -------
    float64 (n,)
        In the order given.

    References
    ----------
    Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.

    Examples
    --------
    >>> benjamini_hochberg([0.001, 0.008, 0.039, 0.041, 0.2]).round(5).tolist()
    [0.005, 0.02, 0.05125, 0.05125, 0.2]
    """
    raw = np.asarray(chances, np.float64)
    if not len(raw):
        return raw
    order = np.argsort(-raw, kind="stable")
    scaled = raw[order] * len(raw) / np.arange(len(raw), 0, -1)
    adjusted = np.empty(len(raw))
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted
