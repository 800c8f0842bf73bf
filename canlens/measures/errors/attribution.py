"""Attribution: whom or what the errors point at, if the evidence suffices, in numbers and as a sentence."""

from __future__ import annotations

import math
from dataclasses import dataclass
from math import lgamma, log
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canlens.measures.errors.broken_frames import Struck, episode_starts, retries
from canlens.measures.errors.records import broken_frames, error_records, traffic_of
from canlens.nouns.bus import Attribution, Share, Suspicion
from canlens.trace import Kind
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.measures.errors.records import Traffic
    from canlens.nouns.bus import Identity, SuspectKind
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows, Trace


# Suspects: how probable each frame is to be the broken one, if one suspect is at fault.
#
# Every suspect is a way to spread the broken frames over the frames of the recording. A node that cannot send well
# breaks its own frames; one that cannot receive well breaks the frames of all others, since it answers them with error
# flags; lines that are disturbed as a whole break any frame; an output that disturbs the bus breaks any frame while it
# is on; a loose contact breaks what is sent while it opens and closes, half of it by its own node. Within these, a
# frame
# is the more in danger the longer it is, or the more edges it has: which of the two is left open and both are tried.
#
# References
# ----------
# Bosch CAN Specification 2.0 (1991), part A 6 (error signalling: every node that sees an error destroys the frame) and
# 8 (a bit is sampled after the edge to which nodes synchronise; a late edge is a wrong bit).


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
class WeighedSuspect:
    """One suspect: log-probability of all episodes, if it is at fault."""

    kind: SuspectKind
    subject: str
    by_length: float
    by_edges: float

    @property
    def log_likelihood(self) -> float:
        """Of the two ways in which a frame is in danger, each as probable as the other."""
        return float(np.logaddexp(self.by_length, self.by_edges) - np.log(2))


def suspects(struck: Struck, outputs_on: Mapping[str, Floats]) -> Iterator[WeighedSuspect]:
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

    def weighed(kind: SuspectKind, subject: str, where: Floats | Bools, *, alone: bool = False) -> WeighedSuspect:
        factor = where.astype(np.float64)
        both = [struck.log_likelihood(factor, each, alone=alone) for each in struck.dangers]
        return WeighedSuspect(kind, subject, both[0], both[1])

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
    yield from (WeighedSuspect("other", "", each, each) for each in (_free_nodes(struck), _free_times(struck)))


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


# Attribution words: what the errors point at, as a sentence, or what is missing to tell.


SURE = 0.9
"""Probability from which a suspect is named."""
FEWEST_EPISODES = 5
"""With fewer none is named however well it fits: four in a row hit one of two equal nodes once in eight times."""
BY_CHANCE = 0.01
"""A node that escapes with this probability may still be the one that breaks the frames of all others."""

NAMES: dict[SuspectKind, str] = {
    "whole-bus": "they hit the frames of all nodes: the lines as a whole (terminator, long stub), or what never sends",
    "bad-sender": "frames of {subject} alone break: its stub, connector or transceiver",
    "bad-receiver": "every frame but those of {subject} breaks: it may be the one that disturbs the others",
    "interference": "the errors come while {subject} is on: interference or a shift of ground",
    "loose-contact": "the errors come where {subject} falls silent and returns: a loose contact",
    "other": "none of the known patterns",
}
SHORT: dict[SuspectKind, str] = {
    "whole-bus": "the lines as a whole",
    "bad-sender": "one node that cannot send well",
    "bad-receiver": "one node that breaks the others' frames",
    "interference": "an output that disturbs the bus",
    "loose-contact": "a loose contact of one node",
    "other": "something else",
}


def answer_words(
    suspicions: tuple[Suspicion, ...], struck: Struck, *, narrowed: tuple[SuspectKind, ...], outputs: tuple[str, ...]
) -> str:
    """Say what the errors point at, or what is missing.

    Parameters
    ----------
    suspicions
        Most probable first.
    struck
        What was weighed.
    narrowed
        The kinds that remain.
    outputs
        Names of the outputs of which it is known when they were on.
    """
    number = len(struck.time_s)
    first = suspicions[0]
    if number < FEWEST_EPISODES:
        have = f"{counted(number, 'error episode')}"
        return f"Not enough evidence: {have}; record until there are {FEWEST_EPISODES} at least, better 40."
    if first.kind != "other" and first.probability >= SURE:
        words = NAMES[first.kind].format(subject=first.subject)
        return f"{number} episodes: {words}.{_not_weighed(suspicions, outputs) if first.kind == 'whole-bus' else ''}"
    hint = _not_weighed(suspicions, outputs)
    if narrowed == ("other",):
        return f"{number} episodes fit none of the known patterns: they come in bunches, or hit several nodes.{hint}"
    if len(narrowed) == 1:
        same = [each.subject for each in suspicions if each.kind == narrowed[0] and each.probability > 1 - SURE]
        return (
            f"{number} episodes point at {SHORT[narrowed[0]]}, {' or '.join(same)}; which one they cannot tell.{hint}"
        )
    left = " or ".join(SHORT[kind] for kind in narrowed)
    return f"Not enough evidence: {number} episodes leave {left}.{_missing(struck, narrowed)}{hint}"


def _not_weighed(suspicions: tuple[Suspicion, ...], outputs: tuple[str, ...]) -> str:
    """Name the outputs by which interference could not be weighed."""
    if not outputs:
        return " When outputs were on is not known, so interference by one was not weighed."
    weighed = {each.subject for each in suspicions if each.kind == "interference"}
    left = [name for name in outputs if name not in weighed]
    if not left:
        return ""
    were = "was" if len(left) == 1 else "were"
    return f" {', '.join(left)} {were} hardly ever switched, so interference by that was not weighed."


def _missing(struck: Struck, narrowed: tuple[SuspectKind, ...]) -> str:
    """Say how many episodes would settle it, where that can be reckoned: until the rarest node has been hit too."""
    if not {"whole-bus", "bad-receiver"} <= set(narrowed) or len(struck.nodes) < 2:  # noqa: PLR2004 – two to compare
        return ""
    shares = np.bincount(struck.node, minlength=len(struck.nodes)) / len(struck.node)
    needed = math.ceil(math.log(BY_CHANCE) / math.log1p(-float(np.clip(shares.min(), 1e-4, 0.5))))
    if needed <= len(struck.time_s):
        return ""
    return f" About {needed} would show whether the frames of every node break."


# Attribution: whom or what the errors point at, if the evidence suffices.


Key = TypeVar("Key")

MOST_EPISODES = 2000
"""Episodes that are weighed, spread evenly over the recording; more would change nothing."""


def attribute(
    trace: Trace,
    *,
    senders: Mapping[Identity, str] | None = None,
    outputs_on: Mapping[str, Floats] | None = None,
    bit_rate: float | None = None,
) -> Attribution | None:
    """Find out whom or what the errors of one channel point at.

    Parameters
    ----------
    trace
        All records of one channel.
    senders
        Node that sends each identifier; None or an identifier that is missing: each is taken as a node of its own.
    outputs_on
        float64 (k, 2) for each output: spans in which it was on [s].
    bit_rate
        Nominal [bit/s]; None: inferred.

    Returns
    -------
    Attribution
        None where there are no error records, or no frames beside them.
    """
    records = broken_frames(error_records(trace))
    if not len(records) or (trace.kind == Kind.ERROR).all():
        return None
    traffic = traffic_of(trace, bit_rate=bit_rate)
    starts = _spread(episode_starts(traffic, records))
    node, nodes, is_named = _nodes(traffic.identity, traffic.identities, senders or {})
    found = retries(traffic, records.row[starts])
    struck = Struck(traffic, node, nodes, is_named, found, records.time_s[starts])
    weighed = list(suspects(struck, outputs_on or {}))
    suspicions = _posterior(weighed)
    narrowed = _narrowed(suspicions) if len(starts) >= FEWEST_EPISODES else ()
    return Attribution(
        answer=suspicions[0] if _is_answer(suspicions[0], len(starts)) else None,
        sentence=answer_words(suspicions, struck, narrowed=narrowed, outputs=tuple(outputs_on or ())),
        suspicions=suspicions,
        narrowed=narrowed,
        edges_favoured=_edges_favoured(weighed),
        episodes=len(starts),
        by_sender=_most_hit(nodes, _shares(struck, node, len(nodes))) if senders else {},
        by_identifier=_most_hit(traffic.identities, _shares(struck, traffic.identity, len(traffic.identities))),
    )


def _spread(starts: Rows) -> Rows:
    """Return at most :data:`MOST_EPISODES`, evenly."""
    if len(starts) <= MOST_EPISODES:
        return starts
    return starts[np.linspace(0, len(starts) - 1, MOST_EPISODES).astype(np.intp)]


def _nodes(
    identity: Ints, identities: tuple[Identity, ...], senders: Mapping[Identity, str]
) -> tuple[Ints, tuple[str, ...], Bools]:
    """Return the sender of each frame, as an index, their names, and which of them are real nodes."""
    names = [senders.get(each) or f"0x{each[0]:x}" for each in identities]
    named = {senders[each] for each in identities if senders.get(each)}
    nodes = tuple(dict.fromkeys(names))
    place = {name: index for index, name in enumerate(nodes)}
    is_named = np.array([name in named for name in nodes], np.bool_)
    return np.array([place[name] for name in names], np.int64)[identity], nodes, is_named


def _posterior(weighed: list[WeighedSuspect]) -> tuple[Suspicion, ...]:
    """Return the probability of each suspect; each kind is as probable beforehand as any other.

    Within a kind each subject is, and the two forms of ``other`` count as one.
    """
    numbers: dict[str, int] = {}
    for each in weighed:
        numbers[each.kind] = numbers.get(each.kind, 0) + 1
    logs = np.array([each.log_likelihood - math.log(numbers[each.kind]) for each in weighed])
    share = np.exp(logs - logs.max())
    share /= share.sum()
    merged: dict[tuple[SuspectKind, str], float] = {}
    for each, probability in zip(weighed, share.tolist(), strict=True):
        merged[each.kind, each.subject] = merged.get((each.kind, each.subject), 0.0) + probability
    ranked = sorted(merged.items(), key=lambda each: -each[1])
    return tuple(Suspicion(kind, subject, probability) for (kind, subject), probability in ranked)


def _is_answer(first: Suspicion, episodes: int) -> bool:
    """Tell whether the first suspect is sure enough to be named."""
    return first.kind != "other" and first.probability >= SURE and episodes >= FEWEST_EPISODES


def _narrowed(suspicions: tuple[Suspicion, ...]) -> tuple[SuspectKind, ...]:
    """Return the fewest kinds that hold the truth with the probability that is asked for."""
    kinds: dict[SuspectKind, float] = {}
    for each in suspicions:
        kinds[each.kind] = kinds.get(each.kind, 0.0) + each.probability
    ranked = sorted(kinds, key=lambda kind: -kinds[kind])
    sums = np.cumsum([kinds[kind] for kind in ranked])
    return tuple(ranked[: int(np.searchsorted(sums, SURE)) + 1])


def _edges_favoured(weighed: list[WeighedSuspect]) -> float | None:
    """Return how much better the errors go with edges than with length, for the best suspect."""
    best = max((each for each in weighed if each.kind != "other"), key=lambda each: each.log_likelihood, default=None)
    if best is None or not math.isfinite(best.by_edges - best.by_length):
        return None
    return math.exp(min(best.by_edges - best.by_length, 100.0))


def _shares(struck: Struck, group: Ints, number: int) -> list[Share]:
    """Return for each group of frames what it had of the episodes, the frames and the edges."""
    expected = struck.expected(group, number, struck.traffic.bits.astype(np.float64))
    frames = np.bincount(group, minlength=number) / len(group)
    edges = np.bincount(group, struck.traffic.edges, number) / max(int(struck.traffic.edges.sum()), 1)
    of_all = expected / max(float(expected.sum()), 1e-9)
    columns = zip(expected.tolist(), of_all.tolist(), frames.tolist(), edges.tolist(), strict=True)
    return [Share(*column) for column in columns]


def _most_hit(keys: tuple[Key, ...], shares: list[Share]) -> dict[Key, Share]:
    """Put the shares under their keys, most hit first."""
    pairs = zip(keys, shares, strict=True)
    return dict(sorted(pairs, key=lambda pair: -pair[1].episodes))
