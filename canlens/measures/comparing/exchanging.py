"""Exchanging blocks: how often blocks dealt out anew to the two recordings differ as much as the true ones."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals import Floats

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
