"""Foreign messages: what a vehicle sends besides the messages that somebody wrote a DBC for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.database import Message, SignalDefinition
from canlens.rehearsal.background import Source
from canlens.rehearsal.timeline import from_spans
from canlens.wire import INTERMISSION_BITS, unstuffed_bits

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.database import Database
    from canlens.rehearsal.draws import Draws
    from canlens.signals import Floats
    from canlens.trace import Ints

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


def foreign_sources(messages: Iterable[Message], *, end_s: float, draws: Draws) -> dict[str, Source]:
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


def _switch(end_s: float, draws: Draws) -> Source:
    """Return a source that goes on and off at drawn times."""
    times = [draws.uniform(0.0, SWITCH_S[1])]
    while times[-1] < end_s:
        times.append(times[-1] + draws.uniform(*SWITCH_S))
    line = from_spans(list(zip(times[::2], times[1::2], strict=False)))

    def raw(time_s: Floats) -> Ints:
        return line.at(time_s).astype(np.int64)

    return Source(raw, line.time_s)
