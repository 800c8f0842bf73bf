"""A small bus on which frames break for one known reason: arbitration, error frames, retries, a recorder's stamps.

It is written from the specification alone and shares nothing with the rehearsal, so that what judges errors is tried on
errors of two makers.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from canlens.trace import COLUMNS, Kind, Payload, Trace
from canlens.wire import arbitration_rank, falling_edges

NS: Final = 10**9
CYCLES_S: Final = np.array([0.01, 0.02, 0.02, 0.05, 0.05, 0.1, 0.1, 0.1, 0.2, 0.5])
BOUNCE_S: Final = 0.02
SUBJECTS: Final = {"whole-bus": "", "interference": "out1"}
FRAMES_PER_ERROR: Final = 40
LOOSE_S: Final = 30.0

Column = np.typing.NDArray[Any]


@dataclass(frozen=True)
class Broken:
    """A recording, who sends what, when the outputs were on, and what is wrong."""

    trace: Trace
    senders: dict[tuple[int, bool], str]
    outputs_on: dict[str, Column]
    kind: str
    subject: str


@dataclass(frozen=True)
class Waiting:
    """Frames that want to be sent: what they are, when they are ready [s], and which node sends them."""

    frames: Trace
    ready_s: Column
    owner: Column
    length: Column
    edges: Column


def broken_bus(kind: str, seed: int, *, episodes: int = 40, nodes: int = 8, messages: int = 40) -> Broken:
    """Draw a bus and let about so many frames break for one reason.

    ``kind``: whole-bus, bad-sender, bad-receiver, interference or loose-contact.
    """
    draw = np.random.default_rng(seed)
    waiting, senders, bit_rate = _drawn(draw, kind, episodes, nodes, messages)
    end_s = float(waiting.ready_s[-1])
    outputs_on = {f"out{number}": _spans(draw, end_s, float(draw.uniform(0.1, 0.5))) for number in range(3)}
    victim = int(draw.integers(nodes))
    gaps = _spans(draw, end_s, 0.0)
    gaps[:, 1] += draw.uniform(0.1, 0.8, len(gaps))
    danger = _danger(kind, waiting, victim, outputs_on["out1"], gaps)
    chance = np.minimum(danger / danger.sum() * episodes, 0.9)
    absent: Column = (waiting.owner == victim) & _within(waiting.ready_s, gaps)
    rows = _send(draw, waiting, chance, absent if kind == "loose-contact" else absent & False, bit_rate)
    return Broken(_recorded(draw, waiting.frames, rows), senders, outputs_on, kind, SUBJECTS.get(kind, f"node{victim}"))


def _drawn(
    draw: np.random.Generator, kind: str, episodes: int, nodes: int, messages: int
) -> tuple[Waiting, dict[tuple[int, bool], str], int]:
    """Draw the messages, of 20 to 80 % load, and all that is to be sent."""
    is_extended = np.full(messages, draw.random() < 0.3)
    base, extended = draw.choice(0x7FF, messages, replace=False), draw.choice(1 << 29, messages, replace=False)
    numbers = np.where(is_extended, extended, base).astype(np.uint32)
    owner = np.append(np.arange(nodes), draw.integers(0, nodes, messages - nodes))
    cycle_s = draw.choice(CYCLES_S, messages)
    bit_rate = int(draw.choice([125_000, 250_000, 500_000]))
    cycle_s *= (np.where(is_extended, 145, 123) / cycle_s).sum() / bit_rate / draw.uniform(0.2, 0.8)
    end_s = max(FRAMES_PER_ERROR * episodes, 4000) / (1 / cycle_s).sum()
    end_s = max(end_s, LOOSE_S) if kind == "loose-contact" else end_s
    jitter_s = draw.choice([0.0, 0.0005, 0.002])
    beats = [np.arange(draw.random() * every, end_s, every) for every in cycle_s]
    source = np.repeat(np.arange(messages), [len(each) for each in beats])
    ready_s = np.concatenate(beats) + draw.random(len(source)) * jitter_s
    order = np.argsort(ready_s, kind="stable")
    source, ready_s = source[order], ready_s[order]
    payload = draw.integers(0, 256, (messages, 8)).astype(np.uint8)[source]
    payload[draw.random(len(source)) < 0.3, :4] = 0
    payload[:, 7] = draw.integers(0, 256, len(source))
    frames = _trace(numbers[source], is_extended[source], payload, np.zeros(len(source), np.int64))
    senders = {(int(n), bool(e)): f"node{o}" for n, e, o in zip(numbers, is_extended, owner, strict=True)}
    return Waiting(frames, ready_s, owner[source], frames.exact_bits(), falling_edges(frames)), senders, bit_rate


def _spans(draw: np.random.Generator, end_s: float, share: float) -> Column:
    """Draw eight spans that take up a share of the time."""
    starts = np.sort(draw.random(8)) * end_s
    return np.column_stack([starts, starts + share * end_s / 8 * draw.uniform(0.6, 1.4, 8)])


def _within(time_s: Column, spans_s: Column) -> Column:
    """Tell which times lie in one of the spans."""
    inside = (time_s[:, None] >= spans_s[:, 0]) & (time_s[:, None] <= spans_s[:, 1])
    return np.asarray(inside.any(axis=1))


def _danger(kind: str, waiting: Waiting, victim: int, on: Column, gaps: Column) -> Column:
    """Say how much each frame is in danger."""
    own: Column = waiting.owner == victim
    found: Column
    if kind == "whole-bus":
        found = waiting.edges.astype(float)
    elif kind == "bad-sender":
        found = own.astype(float)
    elif kind == "bad-receiver":
        found = ~own * waiting.length.astype(float)
    elif kind == "interference":
        found = _within(waiting.ready_s, on) * waiting.length.astype(float)
    else:
        edges_s = np.concatenate([gaps[:, [0, 0]], gaps[:, [1, 1]]]) + np.array([-BOUNCE_S, BOUNCE_S])
        found = (own * 5.0 + 0.2) * _within(waiting.ready_s, edges_s) + 1e-9
    return found


def _send(
    draw: np.random.Generator, waiting: Waiting, chance: Column, absent: Column, bit_rate: int
) -> list[tuple[float, int]]:
    """Send everything; return the stamp [s] and the frame of each record, -1 for an error.

    A broken frame costs what was sent of it, a flag of 6 to 12 bits, the delimiter of 8 and the intermission of 3, and
    waits again with its old priority (Bosch CAN 2.0, 3.1.3 and 6). A fifth of the retries breaks again.
    """
    rank = arbitration_rank(waiting.frames.identifier, waiting.frames.is_extended)
    luck = draw.random(len(rank))
    rows: list[tuple[float, int]] = []
    queue: list[tuple[int, int]] = []
    free_s, at, count = 0.0, 0, len(rank)
    while at < count or queue:
        if not queue:
            free_s = max(free_s, waiting.ready_s[at])
        while at < count and waiting.ready_s[at] <= free_s:
            if not absent[at]:
                heapq.heappush(queue, (int(rank[at]), at))
            at += 1
        if not queue:
            continue
        turn = heapq.heappop(queue)
        frame = turn[1]
        if luck[frame] < chance[frame]:
            luck[frame] = 1.0 if draw.random() < 0.8 else 0.0
            bits = int(draw.integers(14, waiting.length[frame])) + int(draw.integers(6, 13))
            rows.append((free_s + bits / bit_rate, -1))
            free_s += (bits + 11) / bit_rate
            heapq.heappush(queue, turn)
            continue
        free_s += waiting.length[frame] / bit_rate
        rows.append((free_s, frame))
        free_s += 3 / bit_rate
    return rows


def _recorded(draw: np.random.Generator, frames: Trace, rows: list[tuple[float, int]]) -> Trace:
    """Return what the recorder wrote, its clock stepping by a microsecond or ten."""
    stamp, frame = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    is_error = frame < 0
    tick = int(draw.choice([1000, 10_000]))
    payload = frames.payload.first8[frame].copy()
    payload[is_error] = 0
    identifier = np.where(is_error, 0x88, frames.identifier[frame])
    time_ns = NS * 1_700_000_000 + (stamp * NS).astype(np.int64) // tick * tick
    return _trace(
        identifier, ~is_error & frames.is_extended[frame], payload, time_ns, np.where(is_error, Kind.ERROR, Kind.DATA)
    )


def _trace(
    identifier: Column, is_extended: Column, payload: Column, time_ns: Column, kind: Column | Kind = Kind.DATA
) -> Trace:
    """Put columns into a trace."""
    number = len(identifier)
    columns: dict[str, Any] = {name: np.zeros(number, dtype) for name, dtype in COLUMNS.items()}
    columns |= {"time_ns": time_ns, "identifier": identifier.astype(np.uint32), "is_extended": is_extended}
    columns["kind"][:] = kind
    columns["is_rx"][:] = True
    columns["dlc"][:] = 8
    columns["line"] = np.arange(1, number + 1)
    eight = np.full(number, 8, np.uint8)
    none = Payload(payload, eight, np.zeros(0, np.intp), np.zeros((0, 64), np.uint8))
    return Trace(**columns, payload=none, channels=("can0",))
