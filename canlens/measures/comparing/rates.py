"""Rates: events counted in two recordings of different length, compared exactly."""

from __future__ import annotations

import math

BISECTIONS = 100
"""Halvings after which the bounds of an interval stand to the last digit."""
ROUNDING = 1.0 + 1e-7
"""Chances that differ by less are equal."""


def conditional_p(before: int, before_s: float, after: int, after_s: float, *, mid: bool = False) -> float:
    """Return the two-sided chance of so unequal counts if both rates are equal.

    Given the sum of the counts, the first one is binomial with the first recording's share of the time.

    Parameters
    ----------
    before, after
        Number of events, each by itself: bursts must be counted once.
    before_s, after_s
        How long each was recorded [s], above 0.
    mid
        Whether the counts themselves weigh half (mid-p): less careful, nearer to the nominal level.

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
    >>> round(conditional_p(12, 60, 3, 60), 5), round(conditional_p(12, 60, 3, 60, mid=True), 5)
    (0.03516, 0.02821)
    >>> conditional_p(8, 60, 0, 60)  # 2 ** (1 - 8)
    0.0078125
    """
    number, share = before + after, before_s / (before_s + after_s)
    if not number:
        return 1.0
    chances = [_binomial(number, count, share) for count in range(number + 1)]
    own = chances[before]
    total = math.fsum(chance for chance in chances if chance <= own * ROUNDING)
    return min(total - (own / 2 if mid else 0.0), 1.0)


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


def ratio_bounds(
    before: int, before_s: float, after: int, after_s: float, *, level: float = 0.95
) -> tuple[float, float]:
    """Return between which bounds the ratio of the rates, before to after, lies with a given confidence.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, for the share of the events.

    Examples
    --------
    >>> [round(bound, 2) for bound in ratio_bounds(12, 60, 3, 60)]
    [1.08, 22.09]
    """
    number, tail = before + after, (1 - level) / 2
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
