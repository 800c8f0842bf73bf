"""Mapping: which rules a recording tells apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import UNKNOWN

if TYPE_CHECKING:
    from canlens.evidence import Track


def told_apart(first: Track, second: Track, *, longer_than_s: float) -> bool:
    """Tell whether two rules ever differed, both known, for longer than an output needs to show it [s]."""
    time_s = np.union1d(first.time_s, second.time_s)
    if not len(time_s):
        return False
    one, two = first.at(time_s), second.at(time_s)
    differ = (one != two) & (one != UNKNOWN) & (two != UNKNOWN)
    lasts_s = np.diff(np.append(time_s, max(min(first.end_s, second.end_s), time_s[-1])))
    edges = np.diff(np.concatenate(([0], differ.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    total_s = np.append(0.0, np.cumsum(lasts_s))
    return bool(((total_s[stops] - total_s[starts]) > longer_than_s).any())
