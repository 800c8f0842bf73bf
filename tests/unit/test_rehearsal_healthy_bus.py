"""One bus: who waits, who wins, and how long a frame takes."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canlens.rehearsal.healthy_bus import arbitrate
from canlens.wire import arbitration_rank

GAP_NS = 3


def test_the_lower_identifier_wins_and_the_base_format_before_the_extended_one() -> None:
    # Bosch CAN 2.0 (1991), part B, 3.2.1: the base format wins against an extended one with the same first 11 bits.
    identifiers = np.array([0x100, 0x100 << 18, 0x100 << 18 | 1, 0x101, 0x0FF << 18 | 0x3FFFF], np.uint32)
    is_extended = np.array([False, True, True, False, True])
    order = np.argsort(arbitration_rank(identifiers, is_extended)).tolist()
    assert order == [4, 0, 1, 2, 3]


def test_a_frame_that_is_alone_is_sent_at_once() -> None:
    ends = arbitrate(np.array([500, 100]), np.array([1, 2]), np.array([40, 40]), gap_ns=GAP_NS)
    assert ends.tolist() == [540, 140]


@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 9), st.integers(1, 60)), max_size=40))
def test_frames_never_overlap_and_the_bus_never_idles_while_one_waits(frames: list[tuple[int, int, int]]) -> None:
    ready, rank, busy = (np.array([frame[i] for frame in frames], np.int64) for i in range(3))
    ends = arbitrate(ready, rank, busy, gap_ns=GAP_NS)
    starts = ends - busy
    assert (starts >= ready).all()
    order = np.argsort(starts)
    assert (np.diff(starts[order]) >= busy[order][:-1] + GAP_NS).all()
    for place, row in enumerate(order):
        free = ends[order[place - 1]] + GAP_NS if place else 0
        waiting = [other for other in order[place:] if ready[other] <= max(free, starts[row])]
        assert starts[row] == max(free, min(ready[other] for other in order[place:]))
        assert rank[row] == min(rank[other] for other in waiting if ready[other] <= starts[row])
