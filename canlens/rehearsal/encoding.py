"""Encoding: what a signal must say → raw values and payload bytes, whole columns at once; the inverse of decoding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from canlens.errors import UsageError
from canlens.measures.outputs.tracks import ON, UNKNOWN, states_of
from canlens.rehearsal.timeline import Timeline, all_jumps
from canlens.signals import Signal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canlens.database import SignalDefinition
    from canlens.plan import Condition
    from canlens.plan.rule import States
    from canlens.signals import Floats
    from canlens.trace import Bytes, Ints

_FLOATS: dict[int, tuple[type[np.floating], type[np.unsignedinteger]]] = {
    16: (np.float16, np.uint16),
    32: (np.float32, np.uint32),
    64: (np.float64, np.uint64),
}
EXACT = 2.0**53
"""Up to here every whole number is a float64."""


def bit_places(definition: SignalDefinition) -> list[int]:
    """List the DBC bit numbers of a signal, least significant bit first.

    The DBC counts bits as 8 x byte + bit. An Intel signal climbs from its least significant bit; a
    Motorola signal falls from its most significant bit to bit 0 of the byte and goes on at bit 7 of the
    next one.

    Examples
    --------
    >>> from canlens.database import SignalDefinition
    >>> bit_places(SignalDefinition("s", 6, 4)), bit_places(SignalDefinition("s", 1, 4, "motorola"))
    ([6, 7, 8, 9], [14, 15, 0, 1])
    """
    if definition.byte_order == "intel":
        return list(range(definition.start_bit, definition.start_bit + definition.length))
    places = []
    place = definition.start_bit
    for _ in range(definition.length):
        places.append(place)
        place = place + 15 if place % 8 == 0 else place - 1
    return places[::-1]


def raw_limits(definition: SignalDefinition) -> tuple[int, int]:
    """Return the smallest and the largest raw value that the signal's bits can hold."""
    if definition.is_signed:
        return -(1 << (definition.length - 1)), (1 << (definition.length - 1)) - 1
    return 0, (1 << definition.length) - 1


def to_raw(definition: SignalDefinition, value: Floats) -> Ints | Floats:
    """Turn scaled values into raw ones: rounded to the nearest step and held inside what the bits can say.

    Parameters
    ----------
    definition
        The signal; wider than 53 bits, only values that a float64 holds exactly come out exact.
    value
        float64 (n,) in the signal's unit.

    Returns
    -------
    int64 (n,)
        Raw values; float64 for a float signal. Unsigned values from 2 ** 63 on are held just below it.
    """
    raw = (value - definition.offset) / definition.scale
    if definition.is_float:
        return raw
    low, high = raw_limits(definition)
    end = float(min(high + 1, 1 << 63))
    highest = end - 1 if end <= EXACT else np.nextafter(end, 0)
    return np.clip(np.rint(raw), float(low), highest).astype(np.int64)


def to_value(definition: SignalDefinition, raw: npt.NDArray[np.generic]) -> Floats:
    """Turn raw values into scaled ones, float64 (n,)."""
    return raw.astype(np.float64) * definition.scale + definition.offset


def put(
    payload: Bytes,
    definition: SignalDefinition,
    raw: npt.NDArray[np.generic],
    *,
    rows: npt.NDArray[np.bool_] | None = None,
) -> None:
    """Write a signal into the payloads of many frames.

    Parameters
    ----------
    payload
        uint8 (n, width), changed in place; bits of the signal beyond ``width`` bytes are left out.
    definition
        Where the signal lies.
    raw
        (n,) raw values: whole numbers, or float64 for a float signal. Bits above the signal's length are
        dropped.
    rows
        bool (n,): the frames to write into; all if None. The others keep what they have.
    """
    bits = _as_bits(definition, raw)
    for index, place in enumerate(bit_places(definition)):
        byte, bit = divmod(place, 8)
        if byte >= payload.shape[1]:
            continue
        one = np.uint8(1 << bit)
        is_set = (bits >> np.uint64(index) & np.uint64(1)).astype(bool)
        written = np.where(is_set, payload[:, byte] | one, payload[:, byte] & ~one)
        payload[:, byte] = written if rows is None else np.where(rows, written, payload[:, byte])


def _as_bits(definition: SignalDefinition, raw: npt.NDArray[np.generic]) -> npt.NDArray[np.uint64]:
    """Return the bits of each raw value, the least significant one at the bottom of a uint64."""
    if definition.is_float:
        floating, unsigned = _FLOATS[definition.length]
        return raw.astype(floating).view(unsigned).astype(np.uint64)
    return raw.astype(np.uint64) if raw.dtype == np.uint64 else raw.astype(np.int64).view(np.uint64)


EVERY_RAW_VALUE_BITS = 8
"""Signals up to this length are tried with every raw value they have."""
GRID = 33
"""Longer ones with so many values over their range, besides those about the limits that the plan names."""
CLEAR_SHARE = 0.15
"""How far past a limit a clear value lies, as a share of the signal's range: nobody stops at the limit."""
ROOM_SHARE = 0.6
"""And at most this share of the way from the limit to the end of the range."""
JUST_PAST = 1.5
"""How far a value just past a limit lies, in steps of the signal."""


@dataclass(frozen=True, eq=False)
class Meaning:
    """What the raw values of one signal say about the conditions that rest on it.

    Attributes
    ----------
    definition
        The signal.
    names
        Of the conditions.
    raw
        Candidates, preferred ones first.
    states
        int8 (candidates, conditions).
    """

    definition: SignalDefinition
    names: tuple[str, ...]
    raw: Ints | Floats
    states: States

    def closest(self, wanted: Sequence[float]) -> int:
        """Return the index of the first candidate that meets most of the wanted states (1 on, 0 off)."""
        met = np.count_nonzero(self.states == np.asarray(wanted), axis=1)
        return int(np.argmax(met))

    def carry(self, wanted: Mapping[str, Timeline]) -> tuple[Timeline, dict[str, Timeline]]:
        """Turn the states wanted over time into raw values, and tell the states that these really show.

        Two conditions can exclude each other (two positions of one key); then one of them stays off.

        Returns
        -------
        Timeline
            The raw value.
        dict
            Name of the condition -> its true state, 1 or 0.
        """
        times = all_jumps([wanted[name] for name in self.names])
        rows = np.column_stack([wanted[name].at(times) for name in self.names])
        start = self.closest([wanted[name].first for name in self.names])
        index = np.array([self.closest(row) for row in rows], np.intp)
        raw = Timeline(times, self.raw[index].astype(np.float64), float(self.raw[start]))
        shown = self.states == ON
        true = {
            name: Timeline(times, shown[index, column].astype(np.float64), float(shown[start, column]))
            for column, name in enumerate(self.names)
        }
        return raw, true


def meaning_of(definition: SignalDefinition, conditions: Mapping[str, Condition]) -> Meaning:
    """Try a signal's values against all conditions that rest on it; leave out values that say nothing."""
    raw = _candidates(definition, list(conditions.values()))
    signal = _as_signal(definition, raw)
    states = np.column_stack([states_of(signal, condition) for condition in conditions.values()])
    known = ~(states == UNKNOWN).any(axis=1)
    if not known.any():
        path = next(iter(conditions.values())).reference.path
        raise UsageError(f"{path}: the plan calls every value of this signal unknown; leave at least one.")
    return Meaning(definition, tuple(conditions), raw[known], states[known])


def _candidates(definition: SignalDefinition, conditions: list[Condition]) -> Ints | Floats:
    """List raw values to try: named ones, values clear of every limit, then all the others."""
    named = [value for condition in conditions for value in condition.on_values]
    limits = limits_of(conditions)
    low, high = value_range(definition, limits)
    beside = [place for limit in limits for place in _beside(limit, low, high, abs(float(definition.scale)))]
    raw = to_raw(definition, np.array([low, *named, *beside], np.float64))
    tables = np.array([value for condition in conditions for value in condition.on_raw], raw.dtype)
    idle = np.zeros(0 if limits else 1, raw.dtype)
    rest = to_raw(definition, np.linspace(low, high, GRID))
    if not definition.is_float and definition.length <= EVERY_RAW_VALUE_BITS:
        smallest, largest = raw_limits(definition)
        rest = np.array(sorted(range(smallest, largest + 1), key=abs), np.int64)
    everything = np.concatenate([idle, tables, raw, rest])
    _, where = np.unique(everything, return_index=True)
    return everything[np.sort(where)]


def limits_of(conditions: Iterable[Condition]) -> list[float]:
    """Return every ``above`` and ``below`` of the conditions."""
    return [limit for one in conditions for limit in (one.above, one.below) if limit is not None]


def _beside(limit: float, low: float, high: float, step: float) -> list[float]:
    """Return values on both sides of a limit: clear of it where the range has room, and just past it."""
    clear = CLEAR_SHARE * (high - low)
    up = min(clear, ROOM_SHARE * (high - limit)) if high > limit else clear
    down = min(clear, ROOM_SHARE * (limit - low)) if low < limit else clear
    return [limit + up, limit - down, limit + JUST_PAST * step, limit - JUST_PAST * step]


def value_range(definition: SignalDefinition, limits: Sequence[float] = ()) -> tuple[float, float]:
    """Return the signal's range: declared, or what its bits hold; a float's reaches past ``limits``."""
    if definition.minimum is not None and definition.maximum is not None and definition.maximum > definition.minimum:
        return definition.minimum, definition.maximum
    if definition.is_float:
        reach = 2.0 * max((abs(limit) for limit in limits), default=50.0)
        return min(0.0, *(2.0 * limit for limit in limits), 0.0), max(reach, 1.0)
    ends = to_value(definition, np.array(raw_limits(definition)))
    return float(ends.min()), float(ends.max())


def _as_signal(definition: SignalDefinition, raw: Ints | Floats) -> Signal:
    """Dress candidates as a decoded signal, so that they are judged as a recording would be."""
    rows = np.arange(len(raw))
    value = to_value(definition, raw)
    return Signal(definition.name, definition, rows, rows.astype(np.float64), rows.astype(np.int64), raw, value)
