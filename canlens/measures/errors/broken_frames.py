"""Broken frames: error episodes, which frame each broke, and how probable each frame was to be hit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.bus import Episodes
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from canlens.measures.errors.records import ErrorRecords, Traffic
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows


# Retries: which frame an error broke, told from the frames that follow it.
#
# A broken frame is sent again as soon as the bus is free, unless one of higher priority cuts in. So the frame that
# follows an error at once is mostly the broken one; if it is not, the broken one comes later in the same run of frames
# without a pause, and all before it win against it. Each such candidate is weighted by how probable the frames around
# it are if it was the broken one, and by whether it came late, as a frame sent twice must.
#
# References
# ----------
# Bosch CAN Specification 2.0 (1991), part A 3.2 (automatic retransmission, arbitration), 7 (error handling).


FOLLOWERS = 6
"""Frames after an error that are looked at; a run of more before the retry is rare even at a high bus load."""
AFTER_ERROR_BITS = 31
"""Longest way from an error to the next frame: flags 12, delimiter 8, intermission 3, suspend 8 (Bosch 2.0, A 3)."""
ERROR_BITS = 17
"""Usual length of an error flag with its delimiter and intermission."""
SLACK_BITS = 6
"""What stamps may be off by, as stamps are taken somewhere at the end of a frame, or at its start."""
NOT_RETRIED = 0.05
"""Probability that a broken frame does not come back at once: given up, its sender off the bus, the record late."""
NOT_RETRIED_WHEN_FULL = 0.2
"""The same on a bus that is always busy: the run of frames after the error goes on and hides the retry among others."""
AFTER_A_PAUSE = 0.9
"""The same where the bus was free before the next frame: then that frame is hardly a retry."""
ON_TIME = 0.05
"""Weight that remains for a candidate that came on time."""
STEADY_SPREAD = 0.2
"""A message is taken as cyclic where its intervals scatter by no more than this share of their median."""
FEWEST_INTERVALS = 8
FEWEST_STAMPS = 20
ROUNDED_NS = 1000
NEARLY_ALL = 0.98
"""So many of the stamps must lie on a coarse step, give or take a microsecond; of fine stamps a fifth would do so on
the finest of these steps."""
SMOOTHING = 5.0
"""Pairs of frames that the expectation counts for, beside those that were seen."""


@dataclass(frozen=True, eq=False)
class Retries:
    """Candidates for the frame that each error broke.

    Attributes
    ----------
    frame
        intp (e, c): index into the traffic of each candidate; 0 where ``weight`` is 0.
    weight
        float64 (e, c): probability of what follows the error if the candidate was the broken frame, up to a factor.
    unknown
        float64 (e,): the same for any other frame.
    near
        intp (e,): the first frame after the error, or the last of all.
    good_again
        intp (e,): the candidate of the highest weight; -1 where none is more probable than not.
    """

    frame: Rows
    weight: Floats
    unknown: Floats
    near: Rows
    good_again: Ints


def retries(traffic: Traffic, row: Rows) -> Retries:
    """Find the candidates for the frames that some errors broke.

    Parameters
    ----------
    traffic
        n frames of the channel, n > 0.
    row
        intp (e,): rows of the error records in the channel's trace.
    """
    first = np.searchsorted(traffic.row, row)
    index = first[:, None] + np.arange(FOLLOWERS)
    exists = index < len(traffic)
    index = np.minimum(index, len(traffic) - 1)
    in_run = _in_run(traffic, index, exists)
    rank = traffic.rank[traffic.identity[index]]
    highest = np.maximum.accumulate(rank, axis=1)
    wins_not = np.append(np.ones((len(row), 1), np.bool_), rank[:, 1:] > highest[:, :-1], axis=1)
    is_candidate = in_run & wins_not
    weight = np.where(is_candidate, _run_weight(traffic, index, in_run) * _lateness(traffic)[index], 0.0)
    at_once = in_run[:, 0]
    best = weight.max(axis=1, initial=0.0)
    not_retried = NOT_RETRIED + (NOT_RETRIED_WHEN_FULL - NOT_RETRIED) * traffic.busy_share
    share = np.where(at_once, not_retried, AFTER_A_PAUSE)
    # a frame after a pause is a poor candidate, but the only one
    lone = exists[:, 0] & ~at_once
    weight[lone, 0], best[lone] = 1.0, 1.0
    unknown = np.where(best > 0, best * share / (1 - share), 1.0)
    total = weight.sum(axis=1) + unknown
    top = weight.argmax(axis=1)
    is_likely = weight[np.arange(len(row)), top] > total / 2
    good_again = np.where(is_likely, index[np.arange(len(row)), top], -1)
    return Retries(np.where(weight > 0, index, 0), weight, unknown, index[:, 0], good_again)


def _in_run(traffic: Traffic, index: Rows, exists: Bools) -> Bools:
    """Tell which followers belong to the run of frames without a pause that starts at the error: bool (e, c)."""
    trace = traffic.trace
    own = traffic.row[index]
    before = np.maximum(own - 1, 0)
    gap_s = (trace.time_ns[own] - trace.time_ns[before]) / NANOSECONDS_PER_SECOND
    bits = traffic.bits[index]
    longest = bits + SLACK_BITS
    longest[:, 0] += AFTER_ERROR_BITS
    longest[:, 1:] = np.maximum(bits[:, 1:], bits[:, :-1]) + SLACK_BITS
    adjacent = np.append(np.ones((len(index), 1), np.bool_), np.diff(own, axis=1) == 1, axis=1)
    close = (gap_s <= longest * traffic.bit_s + _tick_s(traffic)) & (gap_s >= 0)
    together = exists & adjacent & close & (trace.segment[own] == trace.segment[before])
    return np.logical_and.accumulate(together, axis=1)


def _tick_s(traffic: Traffic) -> float:
    """Return the step of the recorder's clock [s], at most a millisecond.

    Coarse stamps to which a file's writer added a start time may be off by a microsecond each.
    """
    stamps = traffic.trace.time_ns[:1000]
    since_ns = stamps - traffic.trace.start_ns
    step_ns = int(np.gcd.reduce(since_ns)) if len(stamps) else 0
    for tick in (1_000_000, 100_000, 10_000):
        off_ns = (since_ns + tick // 2) % tick - tick // 2
        if len(stamps) >= FEWEST_STAMPS and (np.abs(off_ns) <= ROUNDED_NS).mean() > NEARLY_ALL:
            return tick / 1e9
    return next(tick for tick in (1_000_000, 100_000, 10_000, 1000, 100, 10, 1) if step_ns % tick == 0) / 1e9


def _run_weight(traffic: Traffic, index: Rows, in_run: Bools) -> Floats:
    """Weigh each candidate by the frames around it: those before it cut in, those behind it just followed.

    float64 (e, c); 1 for the first.
    """
    cuts_in = _cuts_in(traffic)[traffic.identity[index]]
    follows = np.append(np.ones((len(index), 1)), _follows(traffic, index[:, :-1], index[:, 1:]), axis=1)
    log_cuts_in = np.where(in_run, np.log(cuts_in), 0.0)
    log_follows = np.where(in_run, np.log(follows), 0.0)
    before = np.cumsum(log_cuts_in, axis=1) - log_cuts_in
    behind = np.cumsum(log_follows, axis=1)
    ratio: Floats = np.exp(np.minimum(before - behind, 0.0))
    return ratio


def _cuts_in(traffic: Traffic) -> Floats:
    """Return for each identity how probable it is that one becomes ready while another frame is broken: (k,)."""
    window_s = traffic.frame_s / 2 + ERROR_BITS * traffic.bit_s
    rate = traffic.counts / max(traffic.duration_s, window_s)
    return np.clip(rate * window_s, 1e-9, 1.0)


def _follows(traffic: Traffic, earlier: Rows, later: Rows) -> Floats:
    """Return how probable it is that the later frame's identity follows the earlier one's without a pause."""
    number = len(traffic.identities)
    gap_s = np.diff(traffic.time_s)
    bits = np.maximum(traffic.bits[1:], traffic.bits[:-1])
    close = (np.diff(traffic.row) == 1) & (gap_s <= (bits + SLACK_BITS) * traffic.bit_s) & (gap_s >= 0)
    pairs = traffic.identity[:-1] * number + traffic.identity[1:]
    codes, counts = np.unique(pairs[close], return_counts=True)
    wanted = traffic.identity[earlier] * number + traffic.identity[later]
    at = np.minimum(np.searchsorted(codes, wanted), max(len(codes) - 1, 0))
    seen = np.where(codes[at] == wanted, counts[at], 0) if len(codes) else np.zeros(wanted.shape)
    by_chance = np.clip(2 * _cuts_in(traffic)[traffic.identity[later]], 1e-9, 1.0)
    of_all = traffic.counts[traffic.identity[earlier]]
    share: Floats = (seen + SMOOTHING * by_chance) / (of_all + SMOOTHING)
    return share


def _lateness(traffic: Traffic) -> Floats:
    """Weigh every frame by whether it came late by the length of an error frame or more: float64 (n,), 1 is neutral.

    A cyclic message that is on time was not broken before. Where its intervals scatter more than an error frame
    lasts, nothing can be told.
    """
    order = np.argsort(traffic.identity, kind="stable")
    interval_s = np.append(np.inf, np.diff(traffic.time_s[order]))
    starts = np.append(0, np.cumsum(traffic.counts)[:-1])
    interval_s[starts] = np.nan
    weight = np.ones(len(traffic))
    least_s = ERROR_BITS * traffic.bit_s
    for start, count in zip(starts.tolist(), traffic.counts.tolist(), strict=True):
        own_s = interval_s[start + 1 : start + count]
        if len(own_s) < FEWEST_INTERVALS:
            continue
        median_s = float(np.median(own_s))
        late_s = own_s - median_s
        spread_s = 1.4826 * float(np.median(np.abs(late_s)))
        if spread_s > STEADY_SPREAD * median_s or spread_s > least_s:
            continue
        step = np.clip(0.5 + (late_s - least_s) / (4 * max(spread_s, least_s / 8)), 0.0, 1.0)
        weight[order[start + 1 : start + count]] = ON_TIME + (1 - ON_TIME) * step
    return weight


# Error episodes: error records that belong to one disturbance.


MERGED_FRAMES = 10
"""Records closer than so many frame times belong together: retries of one broken frame follow each other at once (our
choice; counts of single records give several times too many false alarms where a contact is loose)."""


def episode_starts(traffic: Traffic, records: ErrorRecords) -> Rows:
    """Tell with which records an episode starts.

    Returns
    -------
    intp (k,)
        Indices into the records, ascending. A record belongs to the episode before it where it comes within
        :data:`MERGED_FRAMES` frame times of the record before it, or where no good frame came between them and the
        clock did not restart.
    """
    if not len(records):
        return np.zeros(0, np.intp)
    gap_s = np.diff(records.time_s)
    silent = np.diff(np.searchsorted(traffic.row, records.row)) == 0
    close = gap_s <= MERGED_FRAMES * traffic.frame_s
    same_clock = np.diff(traffic.trace.segment[records.row]) == 0
    return np.flatnonzero(np.append(True, ~((close | silent) & same_clock)))


def episodes(traffic: Traffic, records: ErrorRecords, starts: Rows) -> Episodes:
    """Describe the episodes that start with some records."""
    if not len(starts):
        return Episodes.none()
    last = np.append(starts[1:], len(records)) - 1
    victim = np.full(len(starts), -1, np.int64)
    if len(traffic):
        good_again = retries(traffic, records.row[starts]).good_again
        known = good_again >= 0
        victim[known] = traffic.trace.identifier[traffic.row[good_again[known]]]
    return Episodes(
        start_s=records.time_s[starts],
        end_s=records.time_s[last],
        line=records.line[starts],
        last_line=records.line[last],
        number=np.diff(np.append(starts, len(records))),
        victim=victim,
    )


# Struck: which frames errors may have broken, and how probable that is if the frames are in danger of some kind.


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
    node
        int64 (n,): index of each frame's sender.
    is_named
        bool (k,): whether a node is a real one; an identifier whose sender is not known stands as a node of its own.
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
