"""Suspects: how probable each frame is to be the broken one, if one suspect is at fault.

Every suspect is a way to spread the broken frames over the frames of the recording. A node that cannot send well
breaks its own frames; one that cannot receive well breaks the frames of all others, since it answers them with error
flags; lines that are disturbed as a whole break any frame; an output that disturbs the bus breaks any frame while it
is on; a loose contact breaks what is sent while it opens and closes, half of it by its own node. Within these, a frame
is the more in danger the longer it is, or the more edges it has: which of the two is left open and both are tried.

References
----------
Bosch CAN Specification 2.0 (1991), part A 6 (error signalling: every node that sees an error destroys the frame) and
8 (a bit is sampled after the edge to which nodes synchronise; a late edge is a wrong bit).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.error_evidence import SuspectKind
    from canlens.measures.struck import Struck
    from canlens.measures.traffic import Traffic
    from canlens.signals import Floats
    from canlens.trace import Bools

SWITCHING_S = 0.05
"""An output disturbs for this long after it is switched off too: relays without suppression (practice; our figure)."""
TESTABLE_EPISODES = 5.0
"""An output that is on nearly all the time cannot be told from the lines as a whole: so many episodes would have to
fall into its off-time by chance before their absence says anything (none of five: once in 150 times)."""
LOST_CYCLES = 2.5
"""A node whose fastest cyclic message stays away for so many of its cycles has a gap (our choice: one lost frame and
its jitter are none)."""
BOUNCE_S = 0.05
"""A contact that opens or closes bounces for up to this long (our choice), or for two cycles where those are longer."""
FEWEST_GAPS = 2
"""One gap may be anything; a contact that opens only once cannot be told."""


@dataclass(frozen=True, eq=False)
class Suspect:
    """One suspect: log-probability of all episodes, if it is at fault."""

    kind: SuspectKind
    subject: str
    by_length: float
    by_edges: float

    @property
    def log_likelihood(self) -> float:
        """Of the two ways in which a frame is in danger, each as probable as the other."""
        return float(np.logaddexp(self.by_length, self.by_edges) - np.log(2))


def suspects(struck: Struck, outputs_on: Mapping[str, Floats]) -> Iterator[Suspect]:
    """Weigh every suspect.

    Parameters
    ----------
    struck
        The episodes.
    outputs_on
        float64 (k, 2) for each output: spans in which it was on [s].
    """
    time_s = struck.traffic.time_s
    everywhere = np.ones(len(time_s))

    def weighed(kind: SuspectKind, subject: str, where: Floats | Bools, *, alone: bool = False) -> Suspect:
        factor = where.astype(np.float64)
        both = [struck.log_likelihood(factor, each, alone=alone) for each in struck.dangers]
        return Suspect(kind, subject, both[0], both[1])

    yield weighed("whole-bus", "", everywhere)
    if len(struck.nodes) > 1:
        for index, name in enumerate(struck.nodes):
            own = struck.node == index
            yield weighed("bad-sender", name, own, alone=not struck.is_named[index])
            if struck.is_named[index]:
                yield weighed("bad-receiver", name, ~own)
    for name, spans_s in outputs_on.items():
        on = inside(time_s, spans_s, after_s=SWITCHING_S)
        if on.any() and is_testable(on, len(struck.time_s)):
            yield weighed("interference", name, on)
    for index, name in enumerate(struck.nodes):
        if struck.is_named.any() and not struck.is_named[index]:
            continue
        own = struck.node == index
        edges_s = gap_edges(struck.traffic, own)
        if len(edges_s):
            bouncing = inside(time_s, edges_s, after_s=0.0)
            yield weighed(
                "loose-contact", name, bouncing * (1 + own * (bouncing.sum() / max((bouncing & own).sum(), 1)))
            )
    yield from (Suspect("other", "", each, each) for each in (_free_nodes(struck), _free_times(struck)))


def is_testable(on: Bools, episodes: int) -> bool:
    """Tell whether an output was off in enough of the frames for so many episodes to tell it from the whole bus."""
    return bool((~on).mean() * episodes >= TESTABLE_EPISODES)


def inside(time_s: Floats, spans_s: Floats, *, after_s: float) -> Bools:
    """Tell which times lie in one of some spans, float64 (k, 2) [s], each lengthened by ``after_s``."""
    if not len(spans_s):
        return np.zeros(len(time_s), np.bool_)
    order = np.argsort(spans_s[:, 0])
    start_s, stop_s = spans_s[order, 0], np.maximum.accumulate(spans_s[order, 1] + after_s)
    at = np.searchsorted(start_s, time_s, "right") - 1
    held: Bools = (at >= 0) & (time_s <= stop_s[np.maximum(at, 0)])
    return held


def gap_edges(traffic: Traffic, own: Bools) -> Floats:
    """Return spans around the edges of the gaps of one node, float64 (k, 2) [s]; none where it has too few."""
    none = np.zeros((0, 2))
    fastest = _fastest(traffic, own)
    if fastest is None:
        return none
    identity, cycle_s = fastest
    time_s = traffic.time_s[traffic.identity == identity]
    gap = np.flatnonzero(np.diff(time_s) > LOST_CYCLES * cycle_s)
    start_s, stop_s = time_s[gap], time_s[gap + 1]
    if len(gap) < FEWEST_GAPS:
        return none
    reach_s = max(2 * cycle_s, BOUNCE_S)
    around = np.array([-reach_s, reach_s])
    return np.concatenate([start_s[:, None] + around, stop_s[:, None] + around])


def _fastest(traffic: Traffic, own: Bools) -> tuple[int, float] | None:
    """Return the identity of a node's fastest cyclic message and its cycle [s]; None where it has none."""
    best: tuple[int, float] | None = None
    for identity in np.unique(traffic.identity[own]).tolist():
        gaps_s = np.diff(traffic.time_s[traffic.identity == identity])
        if len(gaps_s) < FEWEST_CYCLES:
            continue
        cycle_s = float(np.median(gaps_s))
        is_cyclic = np.mean(np.abs(gaps_s - cycle_s) < cycle_s / 2) > CYCLIC_SHARE
        if is_cyclic and (best is None or cycle_s < best[1]):
            best = (identity, cycle_s)
    return best


FEWEST_CYCLES = 20
"""Intervals that a message needs before it can be called cyclic."""
CYCLIC_SHARE = 0.8
"""Share of a cyclic message's intervals within half a cycle of their median; the rest may fall into gaps."""


def _free_nodes(struck: Struck) -> float:
    """Return the log-probability if each node had a share of the errors of its own, all shares equally probable."""
    by_length, _ = struck.dangers
    plain = by_length.plain
    base = struck.log_likelihood(np.ones(len(plain)), by_length)
    counts = struck.expected(struck.node, len(struck.nodes), plain)
    share = np.bincount(struck.node, plain * struck.known, len(struck.nodes))
    counts, share = counts[share > 0], share[share > 0]
    return base + _free(counts, share / share.sum())


TIME_BINS = 10
"""Parts of equal traffic into which the recording is cut, to see whether errors come in bunches."""


def _free_times(struck: Struck) -> float:
    """Return the log-probability if each part of the recording had a share of the errors of its own."""
    by_length, _ = struck.dangers
    base = struck.log_likelihood(np.ones(len(by_length.plain)), by_length)
    part = struck.retries.near * TIME_BINS // len(by_length.plain)
    counts = np.bincount(np.minimum(part, TIME_BINS - 1), minlength=TIME_BINS).astype(np.float64)
    return base + _free(counts, np.full(TIME_BINS, 1 / TIME_BINS))


def _free(counts: Floats, share: Floats) -> float:
    """Compare free shares (uniform Dirichlet prior) with given ones: logarithm of the Bayes factor."""
    number, groups = float(counts.sum()), len(counts)
    free = lgamma(groups) - lgamma(number + groups) + sum(lgamma(float(count) + 1) for count in counts)
    fixed = sum(float(count) * log(float(own)) for count, own in zip(counts, share, strict=True) if own > 0)
    return free - fixed
