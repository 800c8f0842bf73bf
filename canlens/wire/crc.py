"""CRC: the check sequences of CAN, over columns of bits.

A column may be an array of zeros and ones, one element a frame, or the same packed to eight frames a byte:
the shift register needs exclusive-or only, which treats both alike.

References
----------
Bosch CAN Specification 2.0 (1991), part A 3.1.1; Bosch CAN with Flexible Data-Rate 1.0 (2012), 3.2.1. ISO
11898-1:2015 starts the registers of CRC-17 and CRC-21 with a leading one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.wire.lengths import Bytes, Ints


@dataclass(frozen=True)
class Crc:
    """One CRC: its width [bit], polynomial without the leading term, and the register's first value."""

    width: int
    polynomial: int
    initial: int = 0


CRC_15 = Crc(15, 0x4599)
"""Classical frames: over the bits without stuff bits, start of frame to end of data."""
CRC_17 = Crc(17, 0x1685B, 1 << 16)
"""CAN FD up to 16 bytes: over bits, dynamic stuff bits and stuff count, not the fixed stuff bits."""
CRC_21 = Crc(21, 0x102899, 1 << 20)
"""CAN FD above 16 bytes: as :data:`CRC_17`."""


def advance(register: list[Bytes], bit: Bytes, crc: Crc) -> list[Bytes]:
    """Return the register, most significant column first, after one more bit; the old one is used up."""
    feedback = register[0] ^ bit
    shifted = [*register[1:], feedback]
    for place in range(crc.width - 1):
        if crc.polynomial >> (crc.width - 1 - place) & 1:
            np.bitwise_xor(shifted[place], feedback, out=shifted[place])
    return shifted


def check_sequence(bits: Bytes, crc: Crc) -> Ints:
    """Compute the check sequence of each row of bits.

    Parameters
    ----------
    bits
        uint8 (n, k): zeros and ones in the order in which they are sent.
    crc
        Which CRC.

    Returns
    -------
    int64 (n,)
        The check sequence; without bits the register's first value.

    Examples
    --------
    >>> bits = np.unpackbits(np.frombuffer(b"123456789", np.uint8))
    >>> f"{check_sequence(bits[np.newaxis], CRC_15)[0]:04X}"
    '059E'
    """
    columns = np.ascontiguousarray(bits.T)
    places = range(crc.width - 1, -1, -1)
    register = [np.full(len(bits), crc.initial >> place & 1, np.uint8) for place in places]
    for column in columns:
        register = advance(register, column, crc)
    value = np.zeros(len(bits), np.int64)
    for column in register:
        value = value << 1 | column
    return value
