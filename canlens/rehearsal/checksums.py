"""Checksums inside a payload: a byte that is computed from the others."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.trace import Bytes

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
