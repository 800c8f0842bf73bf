"""The rows of many identifiers of a recording."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.trace import Rows, Trace

Key = tuple[int, bool]
"""Identifier and whether it is extended."""


def find_rows(trace: Trace, keys: Iterable[Key], *, channel: str | None = None) -> dict[Key, Rows]:
    """Find the data frames of each identifier.

    Parameters
    ----------
    trace
        The recording.
    keys
        (identifier, is_extended), each at most once of interest.
    channel
        Name of the only channel to look at; None for all.

    Returns
    -------
    dict
        Key -> intp (k,): rows in file order, empty where the recording has none. Remote frames and error
        records carry no payload and are not among them.
    """
    index = channel_index(trace, channel)
    return {key: trace.streams.data_rows(key[0], is_extended=key[1], channel=index) for key in keys}


def channel_index(trace: Trace, channel: str | None) -> int | None:
    """Return the number of a channel, -1 where the recording has none of that name; None for all channels."""
    if channel is None:
        return None
    return trace.channels.index(channel) if channel in trace.channels else -1
