"""Batches: one message, many times → what its frames carry beside controls and outputs, and when they are ready."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.database import Message, SignalDefinition
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.encoding import put, raw_limits, to_raw, value_range
from canlens.rehearsal.install import JITTER_S, USUAL, Habit
from canlens.rehearsal.timeline import from_spans
from canlens.wire import INTERMISSION_BITS, unstuffed_bits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from canlens.database import Database
    from canlens.rehearsal.timeline import Timeline
    from canlens.signals import Floats
    from canlens.trace import Bools, Bytes, Ints

COUNTER_NAME = re.compile(r"counter|alive|sequence|rolling", re.IGNORECASE)
CHECKSUM_NAME = re.compile(r"checksum|crc", re.IGNORECASE)
"""How people name such signals; a DBC has no other place to say it."""
SWITCH_BITS = 3
"""Signals up to this length are taken for switches and stay at rest."""
SPEED_UNITS = {"km/h", "kph", "mph", "m/s"}
ENGINE_UNITS = {"rpm", "1/min", "min-1", "r/min"}
KNOT_S = (2.0, 7.0)
"""Values wander from one drawn value to the next in times drawn from here."""
WANDER_SHARE = (0.004, 0.04)
"""How far they wander, as a share of their range."""
IDLE_SHARE = 0.22
"""Where an idling engine turns, as a share of the signal's range."""


@dataclass(frozen=True, eq=False)
class SignalSource:
    """Where the raw values of a signal come from.

    Attributes
    ----------
    raw
        Times of the frames, ascending [s] -> raw values, whole numbers or float64.
    changes_s
        When the value changes, for messages that are sent on a change [s].
    """

    raw: Callable[[Floats], npt.NDArray[np.generic]]
    changes_s: Floats = field(default_factory=lambda: np.zeros(0))


def background(definition: SignalDefinition, draws: Draws, running: Timeline) -> SignalSource:
    """Invent a course: a counter counts, a switch rests, a standing vehicle's speed is 0, others wander.

    Parameters
    ----------
    definition
        Its name tells counters, its unit speeds.
    draws
        Random numbers of this signal.
    running
        1 while the engine runs.
    """
    if COUNTER_NAME.search(definition.name):
        return _counter(definition, draws)
    low, high = value_range(definition)
    if definition.table or definition.length <= SWITCH_BITS or definition.unit in SPEED_UNITS:
        rest = min(max(0.0, low), high)
        return SignalSource(lambda time_s: to_raw(definition, np.full(len(time_s), rest)))
    if definition.unit in ENGINE_UNITS:
        turn = wandering(low + IDLE_SHARE * (high - low), 0.01 * (high - low), draws)
        return SignalSource(lambda time_s: to_raw(definition, turn(time_s) * running.at(time_s)))
    reach = (high - low) * draws.uniform(*WANDER_SHARE)
    value = wandering(draws.uniform(low + 2 * reach, high - 2 * reach), reach, draws)
    return SignalSource(lambda time_s: to_raw(definition, value(time_s)))


def wandering(middle: float, reach: float, draws: Draws) -> Callable[[Floats], Floats]:
    """Return a value over time: straight lines between drawn values within ``reach`` of ``middle``."""
    knot_s = draws.uniform(*KNOT_S)

    def value(time_s: Floats) -> Floats:
        place = time_s / knot_s
        index = np.floor(place).astype(np.int64)
        knots = draws.uniforms(middle - reach, middle + reach, int(index.max(initial=0)) + 2)
        return knots[index] + (knots[index + 1] - knots[index]) * (place - index)

    return value


def _counter(definition: SignalDefinition, draws: Draws) -> SignalSource:
    """Count frames, from a drawn start, round and round."""
    low, high = raw_limits(definition)
    start, span = draws.integer(0, min(high, 255)), min(high - low + 1, 1 << 62)
    return SignalSource(lambda time_s: (start + np.arange(len(time_s))) % span + low)


CYCLES_S = (0.01, 0.02, 0.02, 0.05, 0.1, 0.1, 0.2, 0.5, 1.0)
"""Usual repetition times [s]."""
EXTENDED_SHARE = 0.3
"""How many of them have extended identifiers."""
STUFFING = 1.08
"""Stuff bits make frames about this much longer."""
SWITCH_S = (2.0, 15.0)
"""A switch of a foreign message changes after times drawn from here: it has nothing to do with any exercise."""
BIG_BITS = 16


def foreign_messages(database: Database, *, load: float, bit_rate: int, draws: Draws) -> list[Message]:
    """Draw messages with identifiers of their own until the bus carries about ``load``.

    Parameters
    ----------
    database
        The messages that are there already; they count.
    load
        Wanted bus load, 0 to 1.
    bit_rate
        Nominal [bit/s].
    draws
        Random numbers.

    Returns
    -------
    list of Message
        None if the bus carries so much already. Each has a counter, two switches and wandering values.
    """
    taken = {(message.identifier, message.is_extended) for message in database.messages}
    found: list[Message] = []
    carried = carried_load(database.messages, bit_rate)
    while carried < load:
        is_extended = draws.uniform(0.0, 1.0) < EXTENDED_SHARE
        identifier = draws.integer(0x08000000, 0x1FFFFFFF) if is_extended else draws.integer(0x080, 0x7EF)
        if (identifier, is_extended) in taken:
            continue
        taken.add((identifier, is_extended))
        length = draws.choice((8, 8, 8, 6, 4, 3))
        name = f"Foreign{identifier:X}"
        message = Message(name, identifier, is_extended, length, (), draws.choice(CYCLES_S), _signals(length, draws))
        found.append(message)
        carried += carried_load([message], bit_rate)
    return found


def foreign_sources(messages: Iterable[Message], *, end_s: float, draws: Draws) -> dict[str, SignalSource]:
    """Let the switches of foreign messages change now and then up to ``end_s``; by path."""
    return {
        f"{message.name}.{signal.name}": _switch(end_s, draws)
        for message in messages
        for signal in message.signals
        if signal.length == 1
    }


def carried_load(messages: Iterable[Message], bit_rate: int) -> float:
    """Estimate the load of messages; those without a cycle time count nothing."""
    return sum(
        (float(unstuffed_bits(one.length, is_extended=one.is_extended)) * STUFFING + INTERMISSION_BITS)
        / one.cycle_time_s
        / bit_rate
        for one in messages
        if one.cycle_time_s
    )


def _signals(length: int, draws: Draws) -> tuple[SignalDefinition, ...]:
    """Return a counter and two switches in the first byte, and values in the others."""
    fixed = [SignalDefinition("Counter", 0, 4), SignalDefinition("SwitchA", 4, 1), SignalDefinition("SwitchB", 6, 1)]
    place = 8
    while place < 8 * length:
        bits = min(draws.choice((8, BIG_BITS)), 8 * length - place)
        fixed.append(SignalDefinition(f"Value{place}", place, bits))
        place += bits
    return tuple(fixed)


def _switch(end_s: float, draws: Draws) -> SignalSource:
    """Return a source that goes on and off at drawn times."""
    times = [draws.uniform(0.0, SWITCH_S[1])]
    while times[-1] < end_s:
        times.append(times[-1] + draws.uniform(*SWITCH_S))
    line = from_spans(list(zip(times[::2], times[1::2], strict=False)))

    def raw(time_s: Floats) -> Ints:
        return line.at(time_s).astype(np.int64)

    return SignalSource(raw, line.time_s)


CRC_NAME = re.compile(r"crc", re.IGNORECASE)
"""What is called so is a CRC-8; any other checksum is the exclusive-or of all bytes."""
POLYNOMIAL, INITIAL, FINAL = 0x1D, 0xFF, 0xFF
"""CRC-8/SAE-J1850, as the catalogue of parametrised CRC algorithms lists it; its check value is 0x4B."""


def checksum(payload: Bytes, name: str) -> Bytes:
    """Compute the checksum of each payload, whose checksum byte is still 0.

    Parameters
    ----------
    payload
        uint8 (n, length).
    name
        Of the checksum's signal.

    Returns
    -------
    uint8 (n,)

    Examples
    --------
    >>> checksum(np.frombuffer(b"123456789", np.uint8)[np.newaxis], "MessageCrc").tolist() == [0x4B]
    True
    """
    return crc8(payload) if CRC_NAME.search(name) else np.bitwise_xor.reduce(payload, axis=1)


def crc8(payload: Bytes) -> Bytes:
    """Return the CRC-8 of each row, uint8 (n,)."""
    register = np.full(len(payload), INITIAL, np.uint8)
    for column in payload.T:
        register = _TABLE[register ^ column]
    return register ^ np.uint8(FINAL)


def _one_byte(value: int) -> int:
    """Return the register after eight bits."""
    for _ in range(8):
        value = (value << 1) ^ (POLYNOMIAL if value & 0x80 else 0)
    return value & 0xFF


_TABLE: Bytes = np.array([_one_byte(value) for value in range(256)], np.uint8)
_TABLE.setflags(write=False)


DRIFT = 1.5e-4
"""Largest relative error of a node's clock: a quartz with its ageing and temperature."""

HEARTBEAT_S = 1.0
"""A message without a declared cycle time is sent on every change, and this often."""
WAKE_S = (0.004, 0.08)
"""How long a node takes to speak after the bus woke."""
FIRST_S = 0.001
"""How soon a node speaks that woke the bus itself."""
MOST_PAGES = 16
"""Pages of a multiplexed message that are sent in turn."""


@dataclass(frozen=True, eq=False)
class Batch:
    """All frames of one message.

    Attributes
    ----------
    message
        Their definition.
    ready_s
        float64 (n,): when each is ready to be sent [s], ascending.
    payload
        uint8 (n, length).
    carried
        Signal -> bool (n,): which frames carry it; only those of multiplexed signals.
    """

    message: Message
    ready_s: Floats
    payload: Bytes
    carried: dict[str, Bools]

    def carries(self, signal: str) -> Bools:
        """Return which frames carry a signal, bool (n,)."""
        return self.carried.get(signal, np.ones(len(self.ready_s), np.bool_))


def build_batch(
    message: Message,
    sources: Mapping[str, SignalSource],
    *,
    awake: Sequence[tuple[float, float]],
    running: Timeline,
    seed: int,
    habit: Habit = USUAL,
) -> Batch:
    """Make all frames of a message.

    Parameters
    ----------
    message
        Its cycle time decides whether it is cyclic; signals without a source get a background.
    sources
        By path ``MESSAGE.SIGNAL``.
    awake
        Spans in which the bus is awake [s].
    running
        1 while the engine runs.
    seed
        Of the rehearsal.
    habit
        How its node sends.
    """
    used = {
        signal.name: sources.get(f"{message.name}.{signal.name}")
        or background(signal, Draws(seed, f"signal {message.name}.{signal.name}"), running)
        for signal in message.signals
    }
    changes = [used[signal.name].changes_s for signal in message.signals]
    changes_s = np.unique(np.concatenate([np.zeros(0), *changes]))
    ready_s = _ready(message, changes_s, awake, habit, Draws(seed, message.name))
    age = habit.age(ready_s) if habit.restarts else None
    payload = np.zeros((len(ready_s), message.length), np.uint8)
    carried: dict[str, Bools] = {}
    for depth, signal in enumerate(_multiplexers_first(message.signals)):
        rows = _rows_on_page(message, signal, payload, carried)
        if rows is not None:
            carried[signal.name] = rows
        raw = (
            _pages_in_turn(message, signal, depth, len(ready_s))
            if signal.is_multiplexer
            else used[signal.name].raw(ready_s)
        )
        if age is not None and COUNTER_NAME.search(signal.name):
            raw = np.where(age < 0, raw, age % (raw_limits(signal)[1] + 1))
        if not CHECKSUM_NAME.search(signal.name):
            put(payload, signal, raw, rows=rows)
    for signal in message.signals:
        if CHECKSUM_NAME.search(signal.name) and not signal.is_multiplexer:
            total = checksum(payload, signal.name)
            put(payload, signal, total, rows=carried.get(signal.name))
    heard = habit.is_heard(ready_s)
    if heard.all():
        return Batch(message, ready_s, payload, carried)
    return Batch(message, ready_s[heard], payload[heard], {name: rows[heard] for name, rows in carried.items()})


def _ready(
    message: Message, changes_s: Floats, awake: Sequence[tuple[float, float]], habit: Habit, draws: Draws
) -> Floats:
    """Return when the frames of a message are ready, in every span in which the bus is awake."""
    cycle_s = message.cycle_time_s
    clock = draws.uniform(-DRIFT, DRIFT)
    beat_s = (cycle_s or HEARTBEAT_S) * (1.0 + (clock if habit.clock is None else habit.clock))
    parts = []
    for index, (start_s, end_s) in enumerate([*awake, *habit.awake]):
        first_s = start_s + draws.uniform(*WAKE_S) + draws.uniform(0.0, 1.0) * (beat_s if cycle_s else 0.1)
        if habit.is_first and index >= len(awake):
            first_s = start_s + FIRST_S
        number = max(int((end_s - first_s) / beat_s) + 1, 0)
        jitter = draws.uniforms(-habit.jitter_s, habit.jitter_s, number)
        parts.append(first_s + beat_s * np.arange(number) + jitter)
        if not cycle_s or habit.on_change:
            parts.append(changes_s[(changes_s > first_s) & (changes_s < end_s)] + JITTER_S)
    ready: Floats = np.sort(np.concatenate([np.zeros(0), *parts]))
    return ready


def _multiplexers_first(signals: Sequence[SignalDefinition]) -> list[SignalDefinition]:
    """Order signals so that each stands behind the one that selects its page."""
    by_name = {signal.name: signal for signal in signals}

    def depth(signal: SignalDefinition) -> int:
        above = by_name.get(signal.multiplexer or "")
        return 0 if above is None or above is signal else 1 + depth(above)

    return sorted(signals, key=lambda signal: (not signal.is_multiplexer, depth(signal)))


def _page_numbers(message: Message, multiplexer: SignalDefinition) -> list[int]:
    """Return the values of a multiplexer that have signals, ascending."""
    pages = [
        range(low, min(high, low + MOST_PAGES) + 1)
        for signal in message.signals
        if signal.multiplexer == multiplexer.name
        for low, high in signal.pages
    ]
    return sorted({number for page in pages for number in page})[:MOST_PAGES] or [0]


def _pages_in_turn(message: Message, multiplexer: SignalDefinition, depth: int, frames: int) -> Ints:
    """Return the page of each frame; a second multiplexer turns over once the first is through."""
    pages = np.array(_page_numbers(message, multiplexer), np.int64)
    stride = MOST_PAGES**depth if depth else 1
    in_turn: Ints = pages[np.arange(frames) // stride % len(pages)]
    return in_turn


def _rows_on_page(
    message: Message, signal: SignalDefinition, payload: Bytes, carried: Mapping[str, Bools]
) -> Bools | None:
    """Return which frames carry a multiplexed signal; None for all."""
    above = message.signal(signal.multiplexer) if signal.multiplexer else None
    if above is None:
        return None
    depth = _multiplexers_first(message.signals).index(above)
    page = _pages_in_turn(message, above, depth, len(payload))
    rows = np.zeros(len(payload), np.bool_)
    for low, high in signal.pages:
        rows |= (page >= low) & (page <= high)
    parent = carried.get(above.name)
    return rows if parent is None else rows & parent
