"""Edges: where the level of the bus goes from recessive to dominant within each frame.

At such an edge a sender drives the bus against everything that hangs on it, so that reflections, ringing and a
missing terminator strike there: a frame with more edges breaks more often.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.trace import Kind
from canlens.wire.stuffing import Block, stuff_planes, stuffable

if TYPE_CHECKING:
    from canlens.rehearsal.draws import Draws
    from canlens.trace import Bools, Ints, Rows, Trace

OTHER_EDGES = 2
"""Start of frame, and the acknowledge slot behind the CRC delimiter (Bosch CAN 2.0, 3.1.1)."""


def count_edges(trace: Trace, rows: Rows) -> Ints:
    """Count the recessive-to-dominant edges of some classical frames, stuff bits included.

    Parameters
    ----------
    trace
        The frames.
    rows
        intp (k,): those that are asked for; CAN FD frames are taken as if they were classical.

    Returns
    -------
    int64 (k,)
        From start of frame to the acknowledge slot.
    """
    edges = np.zeros(len(rows), np.int64)
    for at, block in _blocks(trace, rows):
        edges[at] = _edge_bits(block)[0].sum(axis=0)
    return edges + OTHER_EDGES


def draw_edges(trace: Trace, rows: Rows, draws: Draws) -> Ints:
    """Draw one recessive-to-dominant edge of each frame; int64 (k,): the bits on the wire before it."""
    places = np.zeros(len(rows), np.int64)
    for at, block in _blocks(trace, rows):
        is_edge, before = _edge_bits(block)
        running = np.cumsum(is_edge, axis=0)
        wanted = np.floor(draws.uniforms(0.0, 1.0, len(at)) * running[-1]).astype(np.int64)
        first = np.argmax(running > wanted, axis=0)
        places[at] = before[first, np.arange(len(at))]
    return places


def _edge_bits(block: Block) -> tuple[Bools, Ints]:
    """Return which bits (rows; columns are frames) begin with such an edge, and the wire bits before each.

    A stuff bit counts with the bit that it follows.
    """
    planes = list(stuffable(block))
    stuff = list(stuff_planes(planes))
    bits = np.array([np.unpackbits(plane, count=len(block)) for plane in planes]).astype(np.bool_)
    stuffed = np.array([np.unpackbits(plane, count=len(block)) for plane in stuff]).astype(np.bool_)
    level_before = np.vstack([np.zeros((1, len(block)), np.bool_), (bits ^ stuffed)[:-1]])
    is_edge = (level_before & ~bits) | (bits & stuffed)
    stuff_before: Ints = np.cumsum(stuffed, axis=0) - stuffed
    return is_edge, stuff_before + np.arange(len(planes))[:, np.newaxis]


def _blocks(trace: Trace, rows: Rows) -> list[tuple[Rows, Block]]:
    """Gather the frames of each form, with their places among ``rows``."""
    length, is_extended = trace.payload_length[rows], trace.is_extended[rows]
    form = np.minimum(length, 8).astype(np.int64) * 2 + is_extended
    found = []
    for code in np.unique(form).tolist():
        at = np.flatnonzero(form == code)
        picked = rows[at]
        block = Block(
            is_extended=bool(code % 2),
            is_fd=False,
            identifier=trace.identifier[picked],
            is_remote=trace.kind[picked] == Kind.REMOTE,
            bit_rate_switch=trace.bit_rate_switch[picked],
            error_state_indicator=trace.error_state_indicator[picked],
            dlc=trace.dlc[picked],
            data=np.ascontiguousarray(trace.payload.first8[picked, : code // 2].T),
        )
        found.append((at, block))
    return found
