"""Drawn sessions: buses that nobody has seen, controls that a person operates in drawn slots, and what they marked.

Written apart from the rehearsal of installs, so that what finds bits does not lean on the habits of one generator.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.plan import Mark, Marks
from canlens.trace import Payload, Trace
from tests.drawn import draw_bus

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]
    Bytes = npt.NDArray[np.uint8]

START_S = 1_700_000_000.0
CYCLES_S = (0.01, 0.02, 0.05, 0.1, 0.1, 0.2, 0.2, 0.5, 0.5, 1.0)
NAMES = ("horn", "brake", "lamp", "wiper", "door", "siren")


@dataclass(frozen=True)
class Kind:
    """How a session is drawn.

    Attributes
    ----------
    controls, exercises, rests
        Controls that are operated, how often each, and slots left alone.
    jitter_s, offset_s
        Marks lie off by up to so much each, and all by up to so much.
    answers, stray
        Share of exercises that the bus shows, and of rest slots in which it shows one that nobody made.
    planted
        Whether anything on the bus follows the controls.
    identifiers
        Least and most of them.
    fastest
        Index of the fastest cycle that is drawn.
    """

    controls: int = 1
    exercises: int = 8
    rests: int = 16
    jitter_s: float = 0.15
    offset_s: float = 0.0
    answers: float = 0.97
    stray: float = 0.01
    planted: bool = True
    identifiers: tuple[int, int] = (25, 70)
    fastest: int = 2


@dataclass(frozen=True)
class Spot:
    """Where a control was planted: bits of a message, and the value that means on."""

    identifier: int
    is_extended: bool
    start_bit: int
    length: int
    on: int


@dataclass(frozen=True)
class Session:
    """One drawn session; ``truth`` holds for each control its places, the first one and its mirrors."""

    trace: Trace
    marks: Marks
    truth: dict[str, list[Spot]]


@dataclass
class _Message:
    identifier: int
    is_extended: bool
    time_s: Floats
    payload: Bytes
    free: list[int] = field(default_factory=list)
    width: int = 8
    sums: list[int] = field(default_factory=list)


def draw_session(seed: int, kind: Kind = Kind()) -> Session:
    """Draw a bus and a session on it."""
    random = np.random.default_rng(seed)
    names = NAMES[: kind.controls]
    labels = [name for name in names for _ in range(kind.exercises)] + ["rest"] * kind.rests
    random.shuffle(labels)
    slot_s = float(random.uniform(6, 12))
    lead_s = float(random.uniform(4, 20))
    end_s = lead_s + slot_s * len(labels) + float(random.uniform(3, 20))
    messages = _background(random, kind, end_s)
    pressed, marks = _operate(random, kind, labels, slot_s, lead_s)
    truth: dict[str, list[Spot]] = {}
    for name in names:
        truth[name] = _plant(random, messages, pressed[name], end_s) if kind.planted else []
    for message in messages:
        for byte in message.sums:
            rest = np.delete(message.payload[:, : message.width], byte, axis=1)
            message.payload[:, byte] = _crc8(rest)
    shift_s = START_S if random.random() < 0.5 else 0.0
    shift_s += float(random.uniform(-kind.offset_s, kind.offset_s))
    written = [
        Mark(each.time_s + shift_s, each.label, None if each.until_s is None else each.until_s + shift_s)
        for each in marks
    ]
    return Session(_trace(messages), Marks("", tuple(sorted(written, key=lambda each: each.time_s))), truth)


def _operate(
    random: np.random.Generator, kind: Kind, labels: list[str], slot_s: float, lead_s: float
) -> tuple[dict[str, list[tuple[float, float]]], list[Mark]]:
    """Return when each control really was on, and the marks that a person made."""
    pressed: dict[str, list[tuple[float, float]]] = {label: [] for label in labels if label != "rest"}
    marks: list[Mark] = []
    for number, label in enumerate(labels):
        begin_s = lead_s + number * slot_s
        press_s = begin_s + float(random.uniform(0.3, 1.5))
        hold_s = float(random.uniform(1, min(5, slot_s - 2.5)))
        noise_s = random.uniform(-kind.jitter_s, kind.jitter_s, 2)
        if label == "rest":
            for spans in pressed.values():
                if random.random() < kind.stray:
                    spans.append((press_s, press_s + hold_s))
            whole = random.random() < 0.5
            marks.append(Mark(begin_s + float(noise_s[0]), label, begin_s + slot_s if whole else None))
            continue
        if random.random() < kind.answers:
            pressed[label].append((press_s, press_s + hold_s))
        start_s = press_s + float(noise_s[0])
        marks.append(Mark(start_s, label, max(start_s, press_s + hold_s + float(noise_s[1]))))
    return pressed, marks


def _background(random: np.random.Generator, kind: Kind, end_s: float) -> list[_Message]:
    """Draw the messages of a bus, with all that they say by themselves."""
    count = int(random.integers(kind.identifiers[0], kind.identifiers[1] + 1))
    is_extended = bool(random.random() < 0.4)
    numbers = random.choice(0x1FFFFFFF if is_extended else 0x7FF, count, replace=False)
    messages: list[_Message] = []
    states = [_steps(random, end_s, float(random.uniform(8, 120))) for _ in range(6)]
    for number in numbers.tolist():
        if random.random() < 0.1:
            time_s = np.sort(random.uniform(0, end_s, int(random.integers(1, 40))))
        else:
            cycle_s = float(random.choice(CYCLES_S[kind.fastest :]))
            time_s = np.arange(float(random.uniform(0, cycle_s)), end_s, cycle_s)
            time_s = np.sort(time_s + random.normal(0, 0.01 * cycle_s, len(time_s)))
        width = int(random.choice([8, 8, 8, 8, 6, 4, 2]))
        message = _Message(number, is_extended, time_s, np.zeros((len(time_s), 64), np.uint8), width=width)
        _fill(random, message, states, end_s)
        messages.append(message)
    return messages


BYTES = {
    "states": 0.24,
    "noise": 0.1,
    "walk": 0.14,
    "slow": 0.1,
    "counter": 0.1,
    "sum": 0.05,
    "constant": 0.12,
    "blink": 0.05,
    "clock": 0.03,
    "pairs": 0.05,
    "page": 0.02,
}
"""What a byte may hold, and how often."""


def _fill(random: np.random.Generator, message: _Message, states: list[Floats], end_s: float) -> None:
    """Draw what each byte of a message holds."""
    for byte in range(message.width):
        what = str(random.choice(list(BYTES), p=list(BYTES.values())))
        if what == "states":
            column = _some_states(random, message, byte, states, end_s)
        elif what == "sum":
            message.sums.append(byte)
            column = np.zeros(len(message.time_s), np.int64)
        elif what == "constant":
            column = np.full(len(message.time_s), int(random.integers(256)))
            message.free += list(range(8 * byte, 8 * byte + 8))
        else:
            column = _number(random, what, message.time_s, end_s)
        message.payload[:, byte] = column


def _some_states(
    random: np.random.Generator, message: _Message, byte: int, states: list[Floats], end_s: float
) -> npt.NDArray[np.int64]:
    """Draw a byte of single bits: of this node, of the whole vehicle, or still ones, which are free."""
    column = np.zeros(len(message.time_s), np.int64)
    for bit in range(8):
        dice = random.random()
        if dice < 0.25:
            own = _steps(random, end_s, float(10 ** random.uniform(0.3, 2.3)))
            column |= _state(own, message.time_s) << bit
        elif dice < 0.4:
            delay_s = float(random.uniform(0, 0.3))
            column |= _state(states[int(random.integers(len(states)))] + delay_s, message.time_s) << bit
        else:
            message.free.append(8 * byte + bit)
            column |= int(random.integers(2)) << bit
    return column


def _number(random: np.random.Generator, what: str, time_s: Floats, end_s: float) -> npt.NDArray[np.int64]:
    """Draw a byte that holds a number, a counter, a clock, a blinking bit, fields of two bits, or a page's number."""
    n = len(time_s)
    if what == "noise":
        return random.integers(0, 1 << int(random.integers(1, 9)), n)
    if what in {"walk", "slow"}:
        walk = np.cumsum(random.normal(0, 3.0 if what == "walk" else 0.1, n)) + random.uniform(0, 255)
        return np.abs((walk.astype(np.int64) + 255) % 510 - 255)
    if what == "blink":
        period_s = float(random.uniform(0.6, 9))
        on = (time_s / period_s) % 1 < random.uniform(0.2, 0.8)
        return np.asarray(on.astype(np.int64) << int(random.integers(8)))
    if what == "clock":
        return np.asarray((time_s / float(random.choice([0.1, 1.0, 60.0]))).astype(np.int64) & 255)
    if what == "pairs":
        column = np.zeros(n, np.int64)
        for shift in (0, 2, 4, 6):
            own = _steps(random, end_s, float(random.uniform(5, 60)))
            column |= (np.searchsorted(own, time_s) * int(random.integers(1, 3)) % 4) << shift
        return column
    length = int(random.integers(2, 6)) if what == "page" else int(random.choice([4, 15, 16, 256]))
    return np.arange(n) % length


def _steps(random: np.random.Generator, end_s: float, apart_s: float) -> Floats:
    """Draw the times at which a state changes."""
    gaps = random.exponential(apart_s, int(3 * end_s / apart_s) + 4)
    times: Floats = np.cumsum(gaps)
    return times


def _state(steps_s: Floats, time_s: Floats) -> npt.NDArray[np.int64]:
    return np.searchsorted(steps_s, time_s).astype(np.int64) & 1


def _plant(
    random: np.random.Generator, messages: list[_Message], spans: list[tuple[float, float]], end_s: float
) -> list[Spot]:
    """Plant a control into one message or two."""
    delay_s = 0.0
    spots: list[Spot] = []
    for _ in range(1 + int(random.random() < 0.4)):
        delay_s += float(random.uniform(0.02, 0.45 if not spots else 0.2))
        on_off = sorted((at + delay_s, value) for span in spans for at, value in ((span[0], 1), (span[1], 0)))
        edges = np.array([at for at, _ in on_off])
        if random.random() < 0.3:
            spots.append(_plant_event(random, messages, edges, end_s))
            continue
        ready = [each for each in messages if _room(each) and len(each.time_s) > end_s]
        if not ready:
            spots.append(_plant_event(random, messages, edges, end_s))
            continue
        message = ready[int(random.integers(len(ready)))]
        spots.append(_write(random, message, _level(edges, message.time_s)))
    return spots


def _room(message: _Message) -> list[int]:
    """Return bits of a message that are free, each with a free one above in its byte."""
    return [bit for bit in message.free if bit % 8 < 7 and bit + 1 in message.free]


def _level(edges: Floats, time_s: Floats) -> npt.NDArray[np.int64]:
    return np.searchsorted(edges, time_s, "right").astype(np.int64) & 1


def _write(random: np.random.Generator, message: _Message, level: npt.NDArray[np.int64]) -> Spot:
    """Write a control into free bits: one bit of either polarity, or two with four states."""
    room = _room(message)
    bit = room[int(random.integers(len(room)))]
    byte, shift = divmod(bit, 8)
    length = 1 + int(random.random() < 0.4)
    inverted = length == 1 and random.random() < 0.4
    on = 0 if inverted else 1
    mask = ((1 << length) - 1) << shift
    message.free = [each for each in message.free if not (mask >> each % 8) & 1 or each // 8 != byte]
    value = (1 - level if inverted else level) << shift
    message.payload[:, byte] = (message.payload[:, byte] & ~np.uint8(mask)) | value.astype(np.uint8)
    return Spot(message.identifier, message.is_extended, bit, length, on)


def _plant_event(random: np.random.Generator, messages: list[_Message], edges: Floats, end_s: float) -> Spot:
    """Add a message that is sent on a change alone, or on a change and slowly besides."""
    taken = {each.identifier for each in messages}
    number = next(each for each in range(0x100 + int(random.integers(256)), 0x800) if each not in taken)
    time_s = edges.copy()
    if random.random() < 0.5:
        time_s = np.sort(np.concatenate([time_s, np.arange(0.2, end_s, float(random.choice([0.5, 1.0])))]))
    elif random.random() < 0.5 and len(edges):
        time_s = np.sort(np.concatenate([edges, edges + 0.02, edges + 0.04]))
    message = _Message(number, messages[0].is_extended, time_s, np.zeros((len(time_s), 64), np.uint8), width=4)
    message.free = list(range(8, 24))
    messages.append(message)
    return _write(random, message, _level(edges, time_s + 1e-9))


def _crc8(payload: Bytes) -> Bytes:
    """Return a checksum of each row: the CRC with the polynomial 0x1D."""
    table = np.arange(256)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ 0x1D, table << 1) & 0xFF
    crc = np.full(len(payload), 0xFF)
    for byte in range(payload.shape[1]):
        crc = table[crc ^ payload[:, byte]]
    return crc.astype(np.uint8)


def _trace(messages: list[_Message]) -> Trace:
    """Put all messages into one recording, by time."""
    time_s = np.concatenate([each.time_s for each in messages])
    order = np.argsort(time_s, kind="stable")
    size = [len(each.time_s) for each in messages]
    length = np.repeat([each.width for each in messages], size)[order].astype(np.uint8)
    first8 = np.concatenate([each.payload[:, :8] for each in messages])[order].astype(np.uint8)
    first8[np.arange(8) >= length[:, None]] = 0
    n = len(order)
    no = np.zeros(n, np.bool_)
    return Trace(
        time_ns=((START_S + time_s[order]) * 1e6).astype(np.int64) * 1000,
        segment=np.zeros(n, np.int32),
        channel=np.zeros(n, np.int16),
        identifier=np.repeat([each.identifier for each in messages], size)[order].astype(np.uint32),
        is_extended=np.repeat([each.is_extended for each in messages], size)[order],
        kind=np.zeros(n, np.uint8),
        is_fd=no,
        bit_rate_switch=no,
        error_state_indicator=no,
        is_rx=np.ones(n, np.bool_),
        dlc=length.copy(),
        line=np.arange(1, n + 1),
        payload=Payload(first8, length, np.zeros(0, np.intp), np.zeros((0, 64), np.uint8)),
        channels=("can0",),
    )


def draw_rehearsed(seed: int, kind: Kind = Kind()) -> Session:
    """Draw a session on the bus of a rehearsed install, standing; controls go into bits that never change there."""
    random = np.random.default_rng(seed)
    names = NAMES[: kind.controls]
    labels = [name for name in names for _ in range(kind.exercises)] + ["rest"] * kind.rests
    random.shuffle(labels)
    slot_s, lead_s = float(random.uniform(6, 8)), float(random.uniform(4, 20))
    end_s = lead_s + slot_s * len(labels) + 5.0
    trace = draw_bus(seed, end_s).trace
    pressed, marks = _operate(random, kind, labels, slot_s, lead_s)
    first8, truth = trace.payload.first8.copy(), {}
    for name in names:
        truth[name] = _plant_into(random, trace, first8, pressed[name]) if kind.planted else []
    shift_s = trace.start_ns / 1e9 + float(random.uniform(-kind.offset_s, kind.offset_s))
    written = [
        Mark(each.time_s + shift_s, each.label, None if each.until_s is None else each.until_s + shift_s)
        for each in marks
    ]
    payload = replace(trace.payload, first8=first8)
    return Session(replace(trace, payload=payload), Marks("", tuple(sorted(written, key=lambda m: m.time_s))), truth)


def _plant_into(
    random: np.random.Generator, trace: Trace, first8: Bytes, spans: list[tuple[float, float]]
) -> list[Spot]:
    """Plant a control into a bit that never changes of one message or two."""
    delay_s = 0.0
    spots: list[Spot] = []
    keys = np.unique(trace.identifier.astype(np.int64) * 2 + trace.is_extended)
    for _ in range(1 + int(random.random() < 0.4)):
        delay_s += float(random.uniform(0.02, 0.3))
        edges = np.sort([at + delay_s for span in spans for at in span])
        for key in random.permutation(keys).tolist():
            mine = (trace.identifier == key // 2) & (trace.is_extended == bool(key % 2)) & (trace.kind == 0)
            rows = np.flatnonzero(mine)
            width = int(trace.payload.length[rows].min(initial=8)) if len(rows) > trace.duration_s else 0
            bits = (
                np.unpackbits(first8[rows, :width], axis=1, bitorder="little") if width else np.zeros((1, 0), np.uint8)
            )
            still = np.flatnonzero((bits == bits[0]).all(axis=0))
            if not len(still):
                continue
            bit = int(random.choice(still))
            byte, shift = divmod(bit, 8)
            flip = _level(edges, trace.time_s[rows]) << shift
            on = 1 - int(bits[0, bit])
            first8[rows, byte] ^= flip.astype(np.uint8)
            spots.append(Spot(key // 2, bool(key % 2), bit, 1, on))
            break
    return spots
