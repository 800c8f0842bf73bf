"""Payload lengths: how many bytes the frames of each identifier carry, and where that changes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.sleep import places_at
from canlens.message_evidence import Lengths, Places

if TYPE_CHECKING:
    from canlens.streams import Streams
    from canlens.trace import Trace


def lengths_of(trace: Trace, streams: Streams) -> list[Lengths]:
    """Count the payload lengths of each stream; those that are not the usual one are named."""
    if not len(streams):
        return []
    length = trace.payload_length[streams.rows]
    least = np.minimum.reduceat(length, streams.start[:-1])
    most = np.maximum.reduceat(length, streams.start[:-1])
    out: list[Lengths] = []
    for number, (low, high) in enumerate(zip(least.tolist(), most.tolist(), strict=True)):
        part = slice(int(streams.start[number]), int(streams.start[number + 1]))
        if low == high:
            out.append(Lengths({low: part.stop - part.start}, Places.none()))
            continue
        values, counts = np.unique(length[part], return_counts=True)
        usual = Lengths(dict(zip(values.tolist(), counts.tolist(), strict=True)), Places.none()).usual
        odd = streams.rows[part][length[part] != usual]
        out.append(Lengths(dict(zip(values.tolist(), counts.tolist(), strict=True)), places_at(trace, odd)))
    return out
