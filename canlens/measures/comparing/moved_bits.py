"""Moved bits: in how many blocks each payload bit of each identifier took both values."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.payload import Payload
    from canlens.signals.payloads import Words
    from canlens.streams import Streams
    from canlens.trace import Bools, Ints

WORD_BYTES = 8
FEWEST_FRAMES = 2
"""A bit cannot move in fewer."""


def moved_bits(payload: Payload, streams: Streams, group: Ints, count: Ints) -> list[Bools]:
    """Tell which bits moved in each group of frames.

    Parameters
    ----------
    payload, streams
        Of the recording.
    group
        int64 (j,): where in ``streams.rows`` each group of neighbouring frames begins, ascending.
    count
        int64 (j,): frames of each group.

    Returns
    -------
    list
        For each 8 bytes of the longest payload a bool (j, 64): bit n of word w is the DBC bit number 64 w + n.
    """
    out = []
    for word in _columns(payload, streams):
        differs = np.bitwise_or.reduceat(word, group) ^ np.bitwise_and.reduceat(word, group)
        differs[count < FEWEST_FRAMES] = 0
        out.append(np.unpackbits(differs.view(np.uint8).reshape(-1, WORD_BYTES), axis=1, bitorder="little") > 0)
    return out


def _columns(payload: Payload, streams: Streams) -> Iterator[Words]:
    """Yield the payloads of all streams, frame by frame, eight bytes at a time, as uint64 (m,)."""
    if not len(streams.rows):
        return
    yield payload.words.take(streams.rows)
    if not len(payload.long_rows):
        return
    longest = int(payload.length.max())
    for start in range(WORD_BYTES, longest, WORD_BYTES):
        column = np.zeros(len(payload), "<u8")
        part = np.ascontiguousarray(payload.long[:, start : start + WORD_BYTES])
        column[payload.long_rows] = part.view("<u8")[:, 0]
        yield column[streams.rows]
