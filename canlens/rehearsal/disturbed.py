"""Disturbed: a bus on which attempts break – error frames, retries, error counters, nodes that leave the bus."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.arbitration import arbitrate, busy_periods
from canlens.rehearsal.disturbance import TAIL_BITS
from canlens.wire import INTERMISSION_BITS
from canlens.wire.error_classes import BUS_OFF_COUNT, PASSIVE_COUNT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.rehearsal.disturbance import Breaks, Window
    from canlens.rehearsal.draws import Draws
    from canlens.trace import Ints, Rows

FLAG_BITS = (6, 12)
"""Error flags of several nodes lie over one another (Bosch CAN 2.0, 3.1.3)."""
DELIMITER_BITS = 8
SUSPEND_BITS = 8
"""Pause of an error-passive sender (Bosch CAN 2.0, 3.1.5)."""
RESTART_BITS = 128 * 11
"""Recessive bits before a node may come back to the bus (Bosch CAN 2.0, 8)."""
RESTART_S = (0.05, 0.3)
"""And what its program adds; our choice."""
FAILED, SENT = 8, 1
"""A sender's counter grows by the first with each broken attempt and falls by the second with each good one."""
NEVER = -1
"""End of a frame that was never sent whole."""


@dataclass(frozen=True, eq=False)
class Traffic:
    """What went over the bus.

    Attributes
    ----------
    end_ns
        int64 (n,): end of each frame [ns]; :data:`NEVER` for one that was given up.
    broken
        Row, bits sent before it broke, and time at which the error flag ended [ns], of each broken attempt in order.
    """

    end_ns: Ints
    broken: list[tuple[int, int, int]]


class _Bus:
    """The bus as time goes on; ``free_ns`` is when it is free again."""

    def __init__(self, frames: Waiting, breaks: Breaks, windows: Sequence[Window], bit_ns: float, draws: Draws) -> None:
        self.ready, self.ranks = frames.release_ns.tolist(), frames.rank.tolist()
        self.busy, self.bits = frames.busy_ns.tolist(), frames.bits.tolist()
        self.sender, self.twins = frames.sender.tolist(), frames.twins
        self.gap_ns = round(INTERMISSION_BITS * bit_ns)
        self.end = arbitrate(frames.release_ns, frames.rank, frames.busy_ns, gap_ns=self.gap_ns).tolist()
        self.counts = [0] * (int(frames.sender.max(initial=0)) + 1)
        self.waiting: list[tuple[int, int, int]] = []
        self.free_ns = -(1 << 62)
        self.cuts = {row: cuts[::-1] for row, cuts in breaks.cuts.items()}
        self.torn = breaks.torn
        spans = ((one.start_s * 1e9, one.end_s * 1e9, one.chance) for one in windows)
        self.windows = sorted((round(start), round(stop), chance) for start, stop, chance in spans)
        self.bit_ns = bit_ns
        self.draws = draws
        self.off_until: dict[int, int] = {}
        self.broken: list[tuple[int, int, int]] = []

    def attempt(self, row: int) -> None:
        """Let the frame that has won the arbitration be sent, or break."""
        sender = self.sender[row]
        if self.off_until and self.is_off(sender):
            self.end[row] = NEVER
            return
        if row in self.twins:
            won = self.among_twins(row)
            if won is None:
                return
            row, sender = won, self.sender[won]
        cut = self.cut(row)
        if cut is not None:
            self.break_off(row, min(cut, self.bits[row] - 1))
            return
        self.end[row] = self.free_ns + self.busy[row]
        self.free_ns = self.end[row] + self.gap_ns
        self.count_down(sender, 1)
        self.suspend(sender)

    def among_twins(self, row: int) -> int | None:
        """Return which frame gets through if another node starts with the same identifier; None if none does.

        The node that sends recessive where the other one sends dominant sees a bit error. While it is error
        active its flag destroys both frames; once it is error passive the other one's frame gets through.
        """
        other = self.waiting[0][2] if self.waiting and self.waiting[0][0] == self.ranks[row] else None
        if other is None or self.sender[other] == self.sender[row] or self.is_off(self.sender[other]):
            return row
        parting = _parting(self.twins[row], self.twins[other])
        if parting is None:
            return row
        loser, winner = (row, other) if self.twins[row][parting] else (other, row)
        if self.counts[self.sender[loser]] < PASSIVE_COUNT:
            self.count_up(self.sender[other])
            self.break_off(row, parting + 1)
            return None
        if winner == other:
            heapq.heapreplace(self.waiting, (self.ranks[row], self.ready[row], row))
        return winner

    def cut(self, row: int) -> int | None:
        """Return after how many bits the attempt breaks; None for a good one."""
        drawn = self.cuts.get(row)
        if drawn:
            return drawn.pop()
        while self.windows and self.windows[0][1] <= self.free_ns:
            del self.windows[0]
        for begin, end, chance in self.windows:
            if begin > self.free_ns:
                break
            if self.free_ns < end and self.draws.uniform(0.0, 1.0) < chance:
                return self.draws.integer(2, max(self.bits[row] - TAIL_BITS, 2))
        return None

    def break_off(self, row: int, cut: int) -> None:
        """Book a broken attempt; the frame waits again, unless its sender lost contact."""
        flag = self.draws.integer(*FLAG_BITS)
        self.broken.append((row, cut, self.free_ns + round((cut + flag) * self.bit_ns)))
        self.free_ns += round((cut + flag + DELIMITER_BITS + INTERMISSION_BITS) * self.bit_ns)
        self.count_up(self.sender[row])
        if row in self.torn:
            self.end[row] = NEVER
        else:
            heapq.heappush(self.waiting, (self.ranks[row], self.ready[row], row))
        self.suspend(self.sender[row])

    def count_up(self, sender: int) -> None:
        """Raise a sender's error counter; at 256 it leaves the bus for a while."""
        count = self.counts[sender] + FAILED
        if count >= BUS_OFF_COUNT:
            pause_ns = RESTART_BITS * self.bit_ns + 1e9 * self.draws.uniform(*RESTART_S)
            self.off_until[sender] = self.free_ns + round(pause_ns)
            count = 0
        self.counts[sender] = count

    def count_down(self, sender: int, sent: int) -> None:
        """Lower a sender's error counter for frames that it has sent."""
        self.counts[sender] = max(self.counts[sender] - SENT * sent, 0)

    def is_anybody_off(self) -> bool:
        """Tell whether a node has left the bus and is not yet back."""
        return bool(self.off_until) and self.free_ns < max(self.off_until.values())

    def is_off(self, sender: int) -> bool:
        """Tell whether a node has left the bus."""
        return self.free_ns < self.off_until.get(sender, 0)

    def suspend(self, sender: int) -> None:
        """Let an error-passive sender pause, if nobody else wants the bus."""
        if len(self.waiting) < 2 and self.counts[sender] >= PASSIVE_COUNT:  # noqa: PLR2004 – its own at most
            self.free_ns += round(SUSPEND_BITS * self.bit_ns)


@dataclass(frozen=True, eq=False)
class Waiting:
    """The frames that are to be sent, in any order.

    Attributes
    ----------
    release_ns, rank, busy_ns
        As for :func:`~canlens.rehearsal.arbitration.arbitrate`.
    bits
        int64 (n,): length on the wire.
    sender
        int64 (n,): number of the node.
    twins
        Row of a frame whose identifier two nodes use -> its bits, so that it can be told where two of them part.
    """

    release_ns: Ints
    rank: Ints
    busy_ns: Ints
    bits: Ints
    sender: Ints
    twins: dict[int, tuple[int, ...]]


def send_disturbed(
    frames: Waiting, *, breaks: Breaks, windows: Sequence[Window], bit_rate: int, draws: Draws
) -> Traffic:
    """Send the frames over one bus on which some attempts break.

    Parameters
    ----------
    frames
        What is to be sent.
    breaks, windows
        Which attempts break.
    bit_rate
        Nominal [bit/s].
    draws
        Random numbers.

    Returns
    -------
    Traffic
        A broken frame waits again at once and is the next one on the bus, unless one of higher priority waits
        too. A node whose counter reaches 256 leaves the bus; what it had to send meanwhile is lost.
    """
    bus = _Bus(frames, breaks, windows, 1e9 / bit_rate, draws)
    order = np.argsort(frames.release_ns, kind="stable")
    troubled = _troubled(frames, bus, order)
    line, ready, ranks = order.tolist(), bus.ready, bus.ranks
    position, number, push, pop = 0, len(line), heapq.heappush, heapq.heappop
    waiting, sender_of = bus.waiting, frames.sender[order]
    while position < number or waiting:
        if not waiting:
            if not bus.is_anybody_off() and ready[line[position]] >= bus.free_ns:
                calm, position = position, int(troubled[np.searchsorted(troubled, position)])
                if position == number:
                    break
                for sender, sent in enumerate(np.bincount(sender_of[calm:position]).tolist()):
                    bus.count_down(sender, sent)
            bus.free_ns = max(bus.free_ns, ready[line[position]])
        while position < number and ready[line[position]] <= bus.free_ns:
            row = line[position]
            push(waiting, (ranks[row], ready[row], row))
            position += 1
        bus.attempt(pop(waiting)[2])
    return Traffic(np.array(bus.end, np.int64), bus.broken)


def _troubled(frames: Waiting, bus: _Bus, order: Rows) -> Rows:
    """Return where, in order of readiness, the stretches begin in which attempts may break; and the end of all.

    A stretch is one in which the bus is never free. All others go as on a healthy bus.
    """
    ready, busy = frames.release_ns[order], frames.busy_ns[order]
    start, first = busy_periods(ready, busy, gap_ns=bus.gap_ns)
    special = np.zeros(len(order), np.bool_)
    special[[*bus.cuts, *frames.twins]] = True
    special = special[order]
    for begin_ns, end_ns, _ in bus.windows:
        low, high = np.searchsorted(start, [begin_ns, end_ns])
        special[max(int(low) - 1, 0) : int(high) + 1] = True
    holds = np.logical_or.reduceat(special, first) if len(first) else np.zeros(0, np.bool_)
    return np.append(first[holds], len(order))


def _parting(one: tuple[int, ...], other: tuple[int, ...]) -> int | None:
    """Return the first bit in which two frames differ; None if they are the same."""
    return next((place for place, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), None)
