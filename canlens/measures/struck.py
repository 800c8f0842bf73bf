"""Struck: which frames errors may have broken, and how probable that is if the frames are in danger of some kind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.measures.retries import Retries
    from canlens.measures.traffic import Traffic
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows

OTHER_ORIGIN = 0.05
"""Share of errors taken to have another origin than the suspect, so that a single stray error proves nothing."""
ROUNDING = 1e-12
"""Sums that differ by no more than this share are equal."""
AROUND = 40
"""Frames before and behind an error over which the danger is averaged where the broken frame is not known."""


@dataclass(frozen=True, eq=False)
class Danger:
    """How much each frame is in danger by itself, by its length or its edges, with the sums of that.

    Attributes
    ----------
    plain
        float64 (n,), not negative.
    known
        The same, 0 for frames of unknown senders.
    """

    plain: Floats
    known: Floats

    @cached_property
    def sums(self) -> tuple[float, float]:
        """Of all frames, and of those of known senders."""
        return float(self.plain.sum()), float(self.known.sum())


@dataclass(frozen=True, eq=False)
class Struck:
    """The episodes as seen: candidates for the broken frame, and what surrounds them.

    Attributes
    ----------
    traffic
        n frames.
    node
        int64 (n,): index of each frame's sender.
    nodes
        Names of the senders.
    is_named
        bool (k,): whether a node is a real one; an identifier whose sender is not known stands as a node of its own.
    retries
        Candidates of e episodes.
    time_s
        float64 (e,): time of each episode [s].
    """

    traffic: Traffic
    node: Ints
    nodes: tuple[str, ...]
    is_named: Bools
    retries: Retries
    time_s: Floats

    @cached_property
    def known(self) -> Bools:
        """Frames whose sender is known, or all where that is known of none: bool (n,)."""
        known: Bools = self.is_named[self.node] if self.is_named.any() else np.ones(len(self.node), np.bool_)
        return known

    @cached_property
    def unknown_share(self) -> float:
        """Share of the episodes that hit frames of which the sender is not known."""
        if self.known.all():
            return 0.0
        hit = self.expected(self.known.astype(np.int64), 2, self.traffic.bits.astype(np.float64))
        return float(hit[0] / hit.sum())

    @cached_property
    def around(self) -> tuple[Rows, Bools]:
        """Frames around each episode, (e, 2 x :data:`AROUND`), and which of them there are."""
        index = self.retries.near[:, None] + np.arange(-AROUND, AROUND)
        exists = (index >= 0) & (index < len(self.node))
        return np.clip(index, 0, len(self.node) - 1), exists

    @cached_property
    def dangers(self) -> tuple[Danger, Danger]:
        """By length, and by edges."""
        both = self.traffic.bits.astype(np.float64), self.traffic.edges.astype(np.float64)
        by_length, by_edges = (Danger(plain, plain if self.known.all() else plain * self.known) for plain in both)
        return by_length, by_edges

    def log_likelihood(self, where: Floats, danger: Danger, *, alone: bool = False) -> float:
        """Return the log-probability of all episodes, if frames break in proportion to ``where`` times a danger.

        Frames of unknown senders may belong to any node, so how many of the episodes hit them speaks for and against
        nobody.

        Parameters
        ----------
        where
            float64 (n,): how much each frame is in danger from the suspect, not negative.
        danger
            By itself it is that of errors of another origin.
        alone
            Whether only the frames in danger are to be hit, those of unknown senders not excepted.
        """
        share = 0.0 if alone else self.unknown_share
        is_mixed = 0 < share < 1
        plain, (other, of_known) = danger.plain, danger.sums
        whole = float(np.dot(where, plain))
        known = float(np.dot(where, danger.known)) if is_mixed else whole
        if not whole or not known:
            return -np.inf
        unknown = whole - known
        is_free = unknown <= ROUNDING * whole

        def of_frame(index: Rows) -> Floats:
            own = where[index] * plain[index]
            spread = own / whole
            if is_mixed:
                free = plain[index] / (other - of_known) if is_free else own / unknown
                spread = np.where(self.known[index], (1 - share) * own / known, share * free)
            found: Floats = (1 - OTHER_ORIGIN) * spread + OTHER_ORIGIN * plain[index] / other
            return found

        index, exists = self.around
        around = np.maximum((of_frame(index) * exists).sum(axis=1) / exists.sum(axis=1), 1e-300)
        weight = self.retries.weight
        total = weight.sum(axis=1) + self.retries.unknown
        seen = (weight * of_frame(self.retries.frame)).sum(axis=1) + self.retries.unknown * around
        return float(np.log(seen / total * len(self.node)).sum())

    def expected(self, group: Ints, number: int, plain: Floats) -> Floats:
        """Return the expected number of episodes that hit each group of frames, if all frames are in equal danger.

        Parameters
        ----------
        group
            int64 (n,): of each frame, from 0.
        number
            k, how many groups there are.
        plain
            float64 (n,): danger of each frame.

        Returns
        -------
        float64 (k,)
        """
        weight = self.retries.weight * plain[self.retries.frame]
        unknown = self.retries.unknown * plain.mean()
        total = weight.sum(axis=1) + unknown
        known = np.bincount(group[self.retries.frame].ravel(), (weight / total[:, None]).ravel(), number)
        share = np.bincount(group, plain, number) / plain.sum()
        expected: Floats = known + share * (unknown / total).sum()
        return expected
