"""One bus on which attempts break: retries, error counters, nodes that leave, two senders of one identifier."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canlens.rehearsal.draws import Draws
from canlens.rehearsal.faulty_bus import NEVER, Breaks, BusOutcome, Waiting, send_disturbed
from canlens.rehearsal.healthy_bus import arbitrate
from canlens.rehearsal.install import Window

BIT_RATE = 500_000
BIT_NS = 2000
GAP_NS = 3 * BIT_NS
NOTHING = Breaks({})

FRAMES = st.lists(st.tuples(st.integers(0, 400), st.integers(0, 9), st.integers(20, 130)), min_size=1, max_size=30)


def waiting(frames: list[tuple[int, int, int]], *, one_sender: bool = False) -> Waiting:
    """Make frames of (ready in units of ten bits, rank, bits); each from a node of its own."""
    ready, rank, bits = (np.array([frame[i] for frame in frames], np.int64) for i in range(3))
    sender = np.zeros(len(frames), np.int64) if one_sender else np.arange(len(frames))
    return Waiting(ready * 10 * BIT_NS, rank, bits * BIT_NS, bits, sender, {})


def send(frames: Waiting, breaks: Breaks = NOTHING, windows: tuple[Window, ...] = ()) -> BusOutcome:
    return send_disturbed(frames, breaks=breaks, windows=windows, bit_rate=BIT_RATE, draws=Draws(1, "test"))


@given(FRAMES)
def test_a_bus_without_breaks_is_a_sound_one(frames: list[tuple[int, int, int]]) -> None:
    one = waiting(frames)
    sound = arbitrate(one.release_ns, one.rank, one.busy_ns, gap_ns=GAP_NS)
    assert send(one).end_ns.tolist() == sound.tolist()


def plainly(one: Waiting, cuts: dict[int, list[int]]) -> tuple[list[int], list[int]]:
    """Send frame after frame, without any short cut; return all ends and the rows that broke."""
    draws = Draws(1, "test")
    left, todo = {row: list(bits) for row, bits in cuts.items()}, set(range(len(one.rank)))
    end, broken, now = [NEVER] * len(one.rank), [], 0
    while todo:
        ready = [row for row in todo if one.release_ns[row] <= now]
        if not ready:
            now = min(int(one.release_ns[row]) for row in todo)
            continue
        row = min(ready, key=lambda other: (one.rank[other], one.release_ns[other], other))
        if left.get(row):
            # Bosch CAN 2.0 (1991), 3.1.3 and 3.1.5: flag of 6 to 12 bits, delimiter of 8, intermission of 3
            cut = min(left[row].pop(0), int(one.bits[row]) - 1)
            broken.append(row)
            now += (cut + draws.integer(6, 12) + 8 + 3) * BIT_NS
        else:
            end[row] = now + int(one.busy_ns[row])
            now = end[row] + GAP_NS
            todo.discard(row)
    return end, broken


@given(FRAMES, st.lists(st.tuples(st.integers(0, 29), st.integers(2, 140)), max_size=12))
def test_broken_frames_are_tried_again_as_a_plain_walk_over_the_bus_says(
    frames: list[tuple[int, int, int]], struck: list[tuple[int, int]]
) -> None:
    one = waiting(frames)
    cuts: dict[int, list[int]] = {}
    for row, cut in struck:
        cuts.setdefault(row % len(frames), []).append(cut)
    end, broken = plainly(one, cuts)
    traffic = send(one, Breaks(cuts))
    assert traffic.end_ns.tolist() == end
    assert [row for row, _, _ in traffic.broken] == broken


def test_a_retry_follows_at_once_unless_a_higher_priority_cuts_in() -> None:
    frames = waiting([(0, 5, 100), (5, 1, 100), (5, 9, 100)])
    traffic = send(frames, Breaks({0: [60]}))
    assert np.argsort(traffic.end_ns).tolist() == [1, 0, 2]


def test_a_torn_frame_is_not_tried_again() -> None:
    traffic = send(waiting([(0, 5, 100), (40, 6, 100)]), Breaks({0: [60]}, frozenset({0})))
    assert traffic.end_ns[0] == NEVER
    assert traffic.end_ns[1] == (400 + 100) * BIT_NS
    assert len(traffic.broken) == 1


def test_a_sender_leaves_the_bus_after_thirty_two_broken_attempts_and_comes_back() -> None:
    # Bosch CAN 2.0 (1991), part A 8: +8 for each, bus off at 256, back after 128 times 11 recessive bits
    frames = waiting([(0, 5, 100), (10, 5, 100), (100_000, 5, 100)], one_sender=True)
    traffic = send(frames, Breaks({0: [50] * 40}))
    assert len(traffic.broken) == 32
    assert traffic.end_ns.tolist()[:2] == [NEVER, NEVER]
    assert traffic.end_ns[2] == (1_000_000 + 100) * BIT_NS
    soon = int(traffic.broken[-1][2] / BIT_NS / 10) + 120
    early = send(waiting([(0, 5, 100), (soon, 5, 100)], one_sender=True), Breaks({0: [50] * 40}))
    assert early.end_ns[1] == NEVER  # 1200 bits later: the node is not back yet


def test_a_passive_sender_pauses_eight_bits_if_it_is_alone() -> None:
    # Bosch CAN 2.0 (1991), 3.1.5: suspend transmission
    traffic = send(waiting([(0, 5, 100)]), Breaks({0: [50] * 18}))
    gaps = np.diff([time for _, _, time in traffic.broken]) / BIT_NS  # from the end of a flag to that of the next
    least, most = 8 + 3 + 50 + 6, 8 + 3 + 50 + 12
    assert all(least <= gap <= most for gap in gaps[:15])
    assert all(least + 8 <= gap <= most + 8 for gap in gaps[15:])


def test_two_senders_of_one_identifier_break_each_other_until_one_is_passive() -> None:
    # 16 x 8 = 128: then the one that sends recessive no longer destroys the other's frame
    frames = Waiting(
        np.array([0, 0, 0]),
        np.array([1, 5, 5]),
        np.array([100, 100, 100]) * BIT_NS,
        np.array([100, 100, 100]),
        np.array([0, 1, 2]),
        {1: (0, 1, 1), 2: (0, 1, 0)},
    )
    traffic = send(frames)
    assert len(traffic.broken) == 16
    assert {cut for _, cut, _ in traffic.broken} == {3}
    assert np.argsort(traffic.end_ns).tolist() == [0, 2, 1]


def test_a_window_breaks_about_its_share_and_only_inside() -> None:
    frames = waiting([(20 * place, 5, 100) for place in range(3000)])
    traffic = send(frames, windows=(Window(0.4, 0.8, 0.3),))
    times_s = np.array([time for _, _, time in traffic.broken]) / 1e9
    assert ((times_s > 0.4) & (times_s < 0.8008)).all()
    inside = 0.4e9 / (20 * 10 * BIT_NS)
    assert len(times_s) == round(float(np.clip(len(times_s), inside * 0.3, inside * 0.6)))
