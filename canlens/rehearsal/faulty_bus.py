"""Faulty bus: attempts that break → error frames, retries, error counters, nodes that leave; and its recording."""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.draws import Draws
from canlens.rehearsal.healthy_bus import (
    STAMP_NS,
    SUSPEND_BITS,
    TAIL_BITS,
    arbitrate,
    busy_ns,
    busy_periods,
    in_order,
    waiting_frames,
)
from canlens.rehearsal.install import BIT_RATE, Disturbance, Window
from canlens.rehearsal.recorder import draw_recorder, records_of, with_records
from canlens.trace import Kind
from canlens.wire import INTERMISSION_BITS, arbitration_rank, exact_bits
from canlens.wire.error_classes import BUS_OFF_COUNT, PASSIVE_COUNT
from canlens.wire.stuffing import FrameBlock, stuff_planes, stuffable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.database import Message
    from canlens.plan import Plan
    from canlens.rehearsal.batches import Batch
    from canlens.rehearsal.output_model import OutputCourse
    from canlens.signals import Floats
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


def _edge_bits(block: FrameBlock) -> tuple[Bools, Ints]:
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


def _blocks(trace: Trace, rows: Rows) -> list[tuple[Rows, FrameBlock]]:
    """Gather the frames of each form, with their places among ``rows``."""
    length, is_extended = trace.payload_length[rows], trace.is_extended[rows]
    form = np.minimum(length, 8).astype(np.int64) * 2 + is_extended
    found = []
    for code in np.unique(form).tolist():
        at = np.flatnonzero(form == code)
        picked = rows[at]
        block = FrameBlock(
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


EDGES_OF_A_FRAME = 24
"""Recessive-to-dominant edges of a usual frame; turns a share of broken frames into a chance per edge."""
MOST_EDGES = 70
"""No classical frame has more: half of 132 bits, and some."""
MOST_TRIES = 40
"""Attempts in a row that are drawn to break at most; 32 send a node off the bus (Bosch CAN 2.0, 8)."""
SEEN_LATER_BITS = (1, 6)
"""An error at one node is seen by the others once its six dominant bits break the rule of stuffing."""


@dataclass(frozen=True, eq=False)
class Breaks:
    """Which attempts break.

    Attributes
    ----------
    cuts
        Row of a frame -> the bits that are sent of each of its attempts before it breaks.
    torn
        Rows of frames that are not tried again: their sender lost contact.
    """

    cuts: dict[int, list[int]]
    torn: frozenset[int] = frozenset()


def draw_breaks(
    disturbance: Disturbance, waiting: Trace, bits: Ints, ready_s: Floats, senders: Sequence[str], draws: Draws
) -> Breaks:
    """Draw the attempts that break.

    Parameters
    ----------
    disturbance
        Without its outputs and windows, whose chances hang on the time of each attempt.
    waiting
        The frames.
    bits
        int64 (n,): their length on the wire.
    ready_s
        float64 (n,): when each is ready.
    senders
        Node of each frame.
    draws
        Random numbers.
    """
    names = np.array(senders)
    cuts: dict[int, list[int]] = {}

    def strike(chance: Floats) -> None:
        for row, tries in _struck(chance, draws):
            cuts.setdefault(row, []).extend(_anywhere(int(bits[row]), draws) for _ in range(tries))

    if disturbance.sporadic:
        strike(np.full(len(bits), disturbance.sporadic))
    for node, chance in disturbance.senders.items():
        strike(np.where(names == node, chance, 0.0))
    for node, chance in disturbance.receivers.items():
        strike(np.where(names == node, 0.0, chance))
    if disturbance.edges:
        _strike_edges(disturbance.edges, waiting, cuts, draws)
    torn = set()
    for node, spans in disturbance.gaps.items():
        own = np.flatnonzero(names == node)
        for row in _last_before(ready_s, own, [start for start, _ in spans]):
            cuts[row] = [_anywhere(int(bits[row]), draws)]
            torn.add(row)
    return Breaks(cuts, frozenset(torn))


def _struck(chance: Floats, draws: Draws) -> list[tuple[int, int]]:
    """Draw how many attempts in a row break; only frames that break at all are listed."""
    struck = np.flatnonzero(draws.uniforms(0.0, 1.0, len(chance)) < chance)
    return [(int(row), _tries(float(chance[row]), draws)) for row in struck]


def _tries(chance: float, draws: Draws) -> int:
    """Return 1, and one more for each retry that breaks, too."""
    tries = 1
    while tries < MOST_TRIES and draws.uniform(0.0, 1.0) < chance:
        tries += 1
    return tries


def _strike_edges(share: float, waiting: Trace, cuts: dict[int, list[int]], draws: Draws) -> None:
    """Break frames at their edges: first with the chance of the most edges, then thinned to their own."""
    per_edge = share / EDGES_OF_A_FRAME
    most = min(1.0, per_edge * MOST_EDGES)
    rows: Rows = np.flatnonzero(draws.uniforms(0.0, 1.0, len(waiting)) < most)
    while len(rows):
        chance = np.minimum(1.0, per_edge * count_edges(waiting, rows)) / most
        rows = rows[draws.uniforms(0.0, 1.0, len(rows)) < chance]
        seen_later = draws.uniforms(*SEEN_LATER_BITS, len(rows)).astype(np.int64)
        for row, place in zip(rows.tolist(), draw_edges(waiting, rows, draws) + seen_later, strict=True):
            cuts.setdefault(row, []).append(int(place))
        rows = rows[draws.uniforms(0.0, 1.0, len(rows)) < most]


def _anywhere(bits: int, draws: Draws) -> int:
    """Draw a bit between start of frame and CRC delimiter."""
    return draws.integer(2, max(bits - TAIL_BITS, 2))


def _last_before(ready_s: Floats, own: Rows, times_s: Sequence[float]) -> list[int]:
    """Return a node's last frame before each time."""
    order = own[np.argsort(ready_s[own], kind="stable")]
    at = np.searchsorted(ready_s[order], times_s, side="right") - 1
    return [int(order[place]) for place in at if place >= 0]


FLAG_BITS = (6, 12)
"""Error flags of several nodes lie over one another (Bosch CAN 2.0, 3.1.3)."""
DELIMITER_BITS = 8
RESTART_BITS = 128 * 11
"""Recessive bits before a node may come back to the bus (Bosch CAN 2.0, 8)."""
RESTART_S = (0.05, 0.3)
"""And what its program adds; our choice."""
FAILED, SENT = 8, 1
"""A sender's counter grows by the first with each broken attempt and falls by the second with each good one."""
NEVER = -1
"""End of a frame that was never sent whole."""


@dataclass(frozen=True, eq=False)
class BusOutcome:
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
                return _anywhere(self.bits[row], self.draws)
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
        As for :func:`~canlens.rehearsal.healthy_bus.arbitrate`.
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
) -> BusOutcome:
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
    BusOutcome
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
    return BusOutcome(np.array(bus.end, np.int64), bus.broken)


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


TEAR = Window(-0.0005, 0.004, 0.35)
"""About the moment in which a contact opens or closes, while it bounces; our choice."""
BASE_HEADER, EXTENDED_HEADER = 15, 35
"""Bits in front of the DLC."""


def record_disturbed(
    plan: Plan,
    batches: Sequence[Batch],
    disturbance: Disturbance,
    courses: Mapping[str, OutputCourse],
    *,
    start_ns: int,
    end_s: float,
    seed: int,
) -> Trace:
    """Send all frames over one bus on which attempts break, and record it with its error records.

    Parameters
    ----------
    plan
        Its bit rate counts.
    batches
        Two of them may have the same identifier, from two nodes.
    disturbance
        What breaks frames.
    courses
        What the outputs did.
    start_ns, end_s
        Clock of the recorder at time 0 [ns], and when it stops [s].
    seed
        Of the rehearsal.
    """
    waiting = waiting_frames(plan, batches)
    bits = exact_bits(waiting)
    names = [sender_of(batch.message) for batch in batches]
    number = {name: place for place, name in enumerate(dict.fromkeys(names))}
    counts = [len(batch.ready_s) for batch in batches]
    senders = np.repeat(np.array([number[name] for name in names], np.int64), counts)
    ready_s = np.concatenate([np.zeros(0), *(batch.ready_s for batch in batches)])
    breaks = draw_breaks(
        disturbance,
        waiting,
        bits,
        ready_s,
        [name for name, count in zip(names, counts, strict=True) for _ in range(count)],
        Draws(seed, "broken attempts"),
    )
    traffic = send_disturbed(
        Waiting(
            waiting.time_ns,
            arbitration_rank(waiting.identifier, waiting.is_extended),
            busy_ns(plan, waiting, bits),
            bits,
            senders,
            _twins(batches),
        ),
        breaks=breaks,
        windows=_windows(disturbance, courses, end_s),
        bit_rate=plan.bus.bit_rate or BIT_RATE,
        draws=Draws(seed, "error frames"),
    )
    order = np.argsort(traffic.end_ns, kind="stable")
    order = order[traffic.end_ns[order] != NEVER]
    good_ns = traffic.end_ns[order]
    trace = in_order(waiting, order, start_ns + good_ns // STAMP_NS * STAMP_NS)
    recorder = draw_recorder(Draws(seed, "recorder"))
    records = records_of(traffic.broken, waiting, bits, good_ns, recorder, Draws(seed, "error kinds"))
    return with_records(trace, records, start_ns=start_ns, stamp_ns=STAMP_NS)


def sender_of(message: Message) -> str:
    """Return the node that sends a message; one of its own where none is named."""
    return message.senders[0] if message.senders else f"node of {message.name}"


def _windows(disturbance: Disturbance, courses: Mapping[str, OutputCourse], end_s: float) -> list[Window]:
    """Return the times in which attempts break: while outputs are on, and where contacts open and close."""
    windows = list(disturbance.windows)
    for output, chance in disturbance.outputs.items():
        if output in courses:
            windows += [Window(start, stop, chance) for start, stop in courses[output].lit.spans(end_s)]
    for spans in disturbance.gaps.values():
        windows += [
            Window(time_s + TEAR.start_s, time_s + TEAR.end_s, TEAR.chance) for span in spans for time_s in span
        ]
    return windows


def _twins(batches: Sequence[Batch]) -> dict[int, tuple[int, ...]]:
    """Return the bits, up to the end of the data, of each frame whose identifier two nodes send."""
    keys = [(batch.message.identifier, batch.message.is_extended) for batch in batches]
    found: dict[int, tuple[int, ...]] = {}
    row = 0
    for batch, key in zip(batches, keys, strict=True):
        if keys.count(key) > 1:
            header = (0,) * (EXTENDED_HEADER if key[1] else BASE_HEADER)
            length = batch.payload.shape[1]
            code = tuple(length >> bit & 1 for bit in (3, 2, 1, 0))
            data = np.unpackbits(batch.payload, axis=1).tolist()
            found |= {row + place: (*header, *code, *one) for place, one in enumerate(data)}
        row += len(batch.ready_s)
    return found
