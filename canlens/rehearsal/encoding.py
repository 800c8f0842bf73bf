"""Encoding: values of signals → payload bytes, whole columns at once; the inverse of decoding."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from canlens.database import SignalDefinition
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
