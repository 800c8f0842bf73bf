"""Which bits of a message moved, all its frames looked at at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.payload import Payload
    from canlens.signals.payloads import Words
    from canlens.trace import Rows

SHORT = 8
"""Bytes that the short part of a payload holds."""


def moved_bits(payload: Payload, words: Words, rows: Rows) -> int:
    """Return the bits that were 0 in one frame and 1 in another, as a mask; bit n is the DBC bit number n.

    Parameters
    ----------
    payload
        Of the recording.
    words
        uint64 (n,): the first eight bytes of the frames, byte 0 the least significant.
    rows
        intp (n,): rows of the frames, all of one length.
    """
    if not len(rows):
        return 0
    mask = int(np.bitwise_or.reduce(words) ^ np.bitwise_and.reduce(words))
    if int(payload.length[rows[0]]) > SHORT:
        long = payload.long[np.searchsorted(payload.long_rows, rows)].view("<u8")
        moved = np.bitwise_or.reduce(long, axis=0) ^ np.bitwise_and.reduce(long, axis=0)
        mask = sum(int(word) << 64 * place for place, word in enumerate(moved))
    return mask


def first_move(payload: Payload, words: Words, rows: Rows, bits: int) -> int:
    """Return the row in which one of some bits first differs from the first frame; -1 if none ever does.

    ``words`` and ``rows`` are as for :func:`moved_bits`; the frames hold all of the bits.
    """
    found: list[int] = []
    for place in range(0, bits.bit_length(), 64):
        part = np.uint64(bits >> place & 0xFFFF_FFFF_FFFF_FFFF)
        if not part:
            continue
        if place:
            own = payload.long[np.searchsorted(payload.long_rows, rows), place // 8 : place // 8 + 8]
            column = np.ascontiguousarray(own).view("<u8")[:, 0] & part
        else:
            column = words & part
        moved = np.flatnonzero(column != column[0])
        found += moved[:1].tolist()
    return int(rows[min(found)]) if found else -1
