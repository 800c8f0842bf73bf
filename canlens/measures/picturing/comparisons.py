"""Comparisons of a picture: load, errors and changed messages block by block; intervals against the declared ones."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.picturing.quantities import series
from canlens.nouns.baselines import FINE_STEP_S, FULL_S
from canlens.nouns.pictures import ComparedChannel, ComparedMessage, DrawnComparison

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.baselines import Baseline, ChannelBaseline, IdentifierBaseline
    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.pictures import Quantity, Series
    from canlens.results.compare import ComparisonResult


# Intervals of a picture: how often each message came against what its database declares.


MOST_ROWS = 40
"""Messages that one picture can show so that each can still be read (our choice)."""


def interval_rows(every: Sequence[MessageEvidence], *, most: int = MOST_ROWS) -> tuple[MessageEvidence, ...]:
    """Choose the messages that are drawn: those furthest from their declared cycle or with gaps first, shown by cycle.

    Messages of which fewer than two frames came have no interval and no row.
    """
    rows = [each for each in every if math.isfinite(each.times.median)]
    telling = sorted(
        rows, key=lambda row: (-round(row.off_by, 1), -len(row.gaps.seen), row.declared_s is None, row.times.median)
    )
    return tuple(sorted(telling[:most], key=lambda row: (row.times.median, row.number)))


# Comparisons of a picture: load, errors and changed messages of two recordings, block by block.


MOST_MESSAGES = 10
"""Changed messages that one picture shows (our choice)."""
MOST_POINTS = 1000


def drawn_comparison(result: ComparisonResult, before: Baseline, after: Baseline) -> DrawnComparison:
    """Prepare the pictures of a comparison.

    Parameters
    ----------
    result
        What changed, and which channels were held against each other.
    before, after
        The recordings, cut down.
    """
    pairs = list(_pairs(result, before, after))
    messages = list(_messages(result, pairs))
    return DrawnComparison(
        before_s=before.recording.duration_s,
        after_s=after.recording.duration_s,
        channels=tuple((_channel(one), _channel(other)) for one, other in pairs),
        messages=tuple(messages[:MOST_MESSAGES]),
        left_out=max(0, len(messages) - MOST_MESSAGES),
    )


def _pairs(
    result: ComparisonResult, before: Baseline, after: Baseline
) -> Iterator[tuple[ChannelBaseline, ChannelBaseline]]:
    """Yield the channels that were held against each other; where none were, in the order of the recordings."""
    earlier = {each.name: each for each in before.channels}
    later = {each.name: each for each in after.channels}
    if not result.aligned:
        yield from zip(before.channels, after.channels, strict=False)
    for each in result.aligned:
        if each.channel_before in earlier and each.channel_after in later:
            yield earlier[each.channel_before], later[each.channel_after]


def _channel(own: ChannelBaseline) -> ComparedChannel:
    start_s = own.start_ms / 1000
    awake = own.awake_ms >= FULL_S * 1000
    awake = awake if awake.any() else own.awake_ms > 0
    load = None
    if own.bit_rate is not None and awake.any():
        ratio = own.busy_us[awake] / (own.awake_ms[awake] * 1000.0)
        load = series(own.name, start_s[awake], ratio, None, most=MOST_POINTS)
    hit = own.episodes > 0
    return ComparedChannel(own.name, load, start_s[hit], own.episodes[hit], own.recorded)


def _messages(
    result: ComparisonResult, pairs: list[tuple[ChannelBaseline, ChannelBaseline]]
) -> Iterator[ComparedMessage]:
    """Yield each message whose interval or jitter changed, in the order of the result."""
    for change in result.changes:
        if change.change not in {"interval", "jitter"}:
            continue
        quantity: Quantity = "interval" if change.change == "interval" else "jitter"
        for one, other in pairs:
            first, second = _find(one, change.subject), _find(other, change.subject)
            if change.channel in {one.name, other.name, ""} and (first is not None or second is not None):
                known = second or first
                yield ComparedMessage(
                    change.subject,
                    quantity,
                    _blocks(one, first, quantity),
                    _blocks(other, second, quantity),
                    known.declared_s if known is not None else None,
                )
                break


def _find(channel: ChannelBaseline, subject: tuple[str, ...]) -> IdentifierBaseline | None:
    return next((each for each in channel.identifiers if each.subject[0] in subject), None)


def _blocks(channel: ChannelBaseline, own: IdentifierBaseline | None, quantity: Quantity) -> Series | None:
    """Return cycle or spread of a message in each block in which it can be told [s]."""
    if own is None:
        return None
    if quantity == "interval":
        known, value = own.on_beat > 0, (own.cycle + own.slope) * FINE_STEP_S
    else:
        squares = own.squares
        known = squares[:, 1] >= 1
        value = np.sqrt(np.maximum(squares[:, 0], 0) / np.maximum(squares[:, 1], 1))
    if not known.any():
        return None
    start_s = channel.start_ms[known] / 1000
    return series(own.subject[-1], start_s, np.asarray(value[known], np.float64), None, most=MOST_POINTS)
