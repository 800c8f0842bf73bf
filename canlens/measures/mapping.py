"""Mapping: which rules a recording tells apart."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Mapping

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


def in_step(tracks: Mapping[str, Track], *, within_s: Mapping[str, float]) -> dict[str, tuple[str, ...]]:
    """Return for each output all those that were never seen apart from it, itself among them.

    Whatever one of them does to the supply or the bus, the others may do.

    Parameters
    ----------
    tracks
        State of each output.
    within_s
        Answer time of each [s]: so much, and one interval of their messages, may lie between outputs in step.
    """
    alike = {name: {name} for name in tracks}
    for (name, own), (other, track) in combinations(tracks.items(), 2):
        longer_than_s = max(within_s[name], within_s[other]) + max(own.slack_s, track.slack_s)
        if not told_apart(own, track, longer_than_s=longer_than_s):
            alike[name].add(other)
            alike[other].add(name)
    return {name: tuple(each for each in tracks if each in own) for name, own in alike.items()}
