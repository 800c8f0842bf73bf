"""Check sequences of rows of bits, computed with the register of :mod:`canlens.wire.stuffing`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.wire.stuffing import Crc, advance

if TYPE_CHECKING:
    from canlens.wire.lengths import Bytes, Ints

CRC_17 = Crc(17, 0x1685B, 1 << 16)
"""CAN FD up to 16 bytes: over bits, dynamic stuff bits and stuff count, not the fixed stuff bits."""
CRC_21 = Crc(21, 0x102899, 1 << 20)
"""CAN FD above 16 bytes: as :data:`CRC_17`."""


def check_sequence(bits: Bytes, crc: Crc) -> Ints:
    """Compute the check sequence of each row of bits.

    Parameters
    ----------
    bits
        uint8 (n, k): zeros and ones in the order in which they are sent.

    Returns
    -------
    int64 (n,)
        The check sequence; without bits the register's first value.
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
