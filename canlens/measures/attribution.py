"""Attribution: whom or what the errors point at, if the evidence suffices."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from canlens.error_evidence import Attribution, Share, Suspicion
from canlens.measures.attribution_words import FEWEST_EPISODES, SURE, answer_words
from canlens.measures.error_episodes import episode_starts
from canlens.measures.error_records import broken_frames, error_records
from canlens.measures.retries import retries
from canlens.measures.struck import Struck
from canlens.measures.suspects import suspects
from canlens.measures.traffic import traffic_of
from canlens.trace import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.error_evidence import Identity, SuspectKind
    from canlens.measures.suspects import Suspect
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows, Trace

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


def _posterior(weighed: list[Suspect]) -> tuple[Suspicion, ...]:
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


def _edges_favoured(weighed: list[Suspect]) -> float | None:
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
