"""Batches: one message, many times → when its frames are ready to be sent, and what they carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.background import CHECKSUM_NAME, COUNTER_NAME, Source, background
from canlens.rehearsal.checksums import checksum
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.encoding import put, raw_limits
from canlens.rehearsal.habits import DRIFT, JITTER_S, USUAL, Habit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.database import Message, SignalDefinition
    from canlens.rehearsal.timeline import Timeline
    from canlens.signals import Floats
    from canlens.trace import Bools, Bytes, Ints

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
    sources: Mapping[str, Source],
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
        if not cycle_s:
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
