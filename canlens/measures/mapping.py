"""Mapping: which rules could not be told apart, and what would tell them."""

from __future__ import annotations

from itertools import chain, combinations, islice
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import UNKNOWN, Rule

if TYPE_CHECKING:
    from canlens.evidence import Track

MOST_SETTINGS = 1 << 12
"""Settings of the controls that are tried for an exercise, those with few controls on first: all there are of twelve
controls; nobody operates more of them at once."""


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


def telling_exercise(first: Rule, second: Rule) -> str | None:
    """Say in words the exercise that tells two rules apart; None where they are the same, or none is simple."""
    names = tuple(dict.fromkeys((*first.controls, *second.controls)))
    few_first = chain.from_iterable(combinations(reversed(names), count) for count in range(len(names) + 1))
    settings = list(islice(few_first, MOST_SETTINGS))
    states = {name: np.array([name in operated for operated in settings], np.int8) for name in names}
    apart = np.flatnonzero(first.evaluate(states) != second.evaluate(states))
    if not len(apart):
        return None
    operated = settings[apart[0]]
    on = [name for name in names if name in operated]
    off = [name for name in names if name not in operated]
    done = f"operate {' and '.join(on)}" if on else "operate nothing"
    left = f" while {' and '.join(off)} {'is' if len(off) == 1 else 'are'} off" if off else ""
    return f"{done}{left}"
