"""Discovery rate: many identifiers tested at once, with the share of false alarms held down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.signals import Floats


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
    return _adjusted(np.asarray(chances, np.float64), factor=1.0)


def benjamini_yekutieli(chances: Sequence[float] | Floats) -> Floats:
    """Adjust p-values as :func:`benjamini_hochberg` does, for tests that depend on each other in unknown ways.

    References
    ----------
    Y. Benjamini and D. Yekutieli, Ann. Statist. 29 (2001) 1165-1188.

    Examples
    --------
    >>> benjamini_yekutieli([0.001, 0.008, 0.039, 0.041, 0.2]).round(4).tolist()
    [0.0114, 0.0457, 0.117, 0.117, 0.4567]
    """
    raw = np.asarray(chances, np.float64)
    return _adjusted(raw, factor=float(np.sum(1 / np.arange(1, len(raw) + 1))))


def _adjusted(raw: Floats, *, factor: float) -> Floats:
    """Multiply each p-value by the number of tests over its rank; none may pass a greater one."""
    if not len(raw):
        return raw
    order = np.argsort(-raw, kind="stable")
    scaled = factor * raw[order] * len(raw) / np.arange(len(raw), 0, -1)
    adjusted = np.empty(len(raw))
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted
