"""Lengths: DLC and payload length, the fixed fields of a frame, and the closed bounds of its length.

References
----------
Bosch CAN Specification 2.0 (1991), part A 3.1 and part B 3.1; Bosch CAN with Flexible Data-Rate 1.0 (2012),
3.2; Linux ``include/linux/can/length.h``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

CLASSICAL_LENGTH: Bytes = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 8, 8, 8, 8, 8], np.uint8)
"""uint8 (16,): payload length [bytes] of a classical data frame by DLC; 9 to 15 mean eight bytes too."""
FD_LENGTH: Bytes = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64], np.uint8)
"""uint8 (16,): payload length [bytes] of a CAN FD frame by DLC."""
FD_DLC: Bytes = np.searchsorted(FD_LENGTH, np.arange(65)).astype(np.uint8)
"""uint8 (65,): smallest DLC whose frame holds that many bytes; above eight in CAN FD only."""
CLASSICAL_LENGTH.setflags(write=False)
FD_LENGTH.setflags(write=False)
FD_DLC.setflags(write=False)

INTERMISSION_BITS = 3
"""Recessive bits between two frames; no part of the frame (Bosch CAN 2.0, 3.1.5)."""
ERROR_FRAME_BITS = (14, 20)
"""Least and most bits of an error frame, without intermission (Bosch CAN 2.0, 3.1.3)."""

BASE_HEADER_BITS = 19
EXTENDED_HEADER_BITS = 39
FD_BASE_HEADER_BITS = 22
FD_EXTENDED_HEADER_BITS = 41
CRC_15_BITS = 15
CRC_DELIMITER_BITS = 1
FD_CRC_17_FIELD_BITS = 28  # stuff count 4, CRC 17, fixed stuff bits 6, delimiter 1
FD_CRC_21_FIELD_BITS = 33  # stuff count 4, CRC 21, fixed stuff bits 7, delimiter 1
CRC_17_LARGEST_LENGTH = 16
FOOTER_BITS = 9  # acknowledge slot and delimiter, end of frame
FD_BITS_AFTER_SWITCH = 5  # error state indicator 1, DLC 4


def header_bits(*, is_extended: Bools | bool, is_fd: Bools | bool) -> Ints:
    """Count the bits from start of frame to the end of the DLC, without stuff bits."""
    fd = np.where(is_extended, FD_EXTENDED_HEADER_BITS, FD_BASE_HEADER_BITS)
    classical = np.where(is_extended, EXTENDED_HEADER_BITS, BASE_HEADER_BITS)
    return np.where(is_fd, fd, classical).astype(np.int64)


def crc_field_bits(payload_length: Bytes | Ints | int, *, is_fd: Bools | bool) -> Ints:
    """Count the bits of the CRC field with its delimiter; in CAN FD with stuff count and fixed stuff bits."""
    is_long = np.asarray(payload_length) > CRC_17_LARGEST_LENGTH
    fd = np.where(is_long, FD_CRC_21_FIELD_BITS, FD_CRC_17_FIELD_BITS)
    return np.where(is_fd, fd, CRC_15_BITS + CRC_DELIMITER_BITS).astype(np.int64)


def unstuffed_bits(
    payload_length: Bytes | Ints | int, *, is_extended: Bools | bool, is_fd: Bools | bool = False
) -> Ints:
    """Count the bits of a frame that would need no dynamic stuff bit: the shortest it could be.

    Parameters
    ----------
    payload_length
        Bytes on the wire; of a remote frame 0, whatever its DLC.

    Returns
    -------
    int64
        Start of frame to end of frame [bit], without intermission; 44 + 8 s, extended 64 + 8 s.

    References
    ----------
    Bosch CAN 2.0 (1991), figures of parts A and B; Linux ``include/linux/can/length.h``.

    Examples
    --------
    >>> int(unstuffed_bits(8, is_extended=False)), int(unstuffed_bits(8, is_extended=True))
    (108, 128)
    """
    data = 8 * np.asarray(payload_length, np.int64)
    header = header_bits(is_extended=is_extended, is_fd=is_fd)
    return header + data + crc_field_bits(payload_length, is_fd=is_fd) + FOOTER_BITS


def unstuffed_data_rate_bits(payload_length: Bytes | Ints | int) -> Ints:
    """Count the bits of a CAN FD frame that run at the data bit rate when it is switched, without stuff bits.

    From the error state indicator to the CRC delimiter: 33 + 8 n up to 16 bytes, 38 + 8 n above.
    """
    data = 8 * np.asarray(payload_length, np.int64)
    return FD_BITS_AFTER_SWITCH + data + crc_field_bits(payload_length, is_fd=True)


def longest_bits(payload_length: Bytes | Ints | int, *, is_extended: Bools | bool, is_fd: Bools | bool = False) -> Ints:
    """Count the bits that no frame of this form can pass, stuff bits included.

    Parameters
    ----------
    payload_length, is_extended, is_fd
        As in :func:`unstuffed_bits`.

    Returns
    -------
    int64
        Start of frame to end of frame [bit], without intermission. One stuff bit after five bits and then
        after every four: floor((n - 1) / 4) in n bits. In CAN FD the bit after the last data bit is a fixed
        one, so that the last of the n bits calls for no dynamic stuff bit. The bound is safe, but no frame
        need reach it.

    References
    ----------
    Davis, Burns, Bril, Lukkien (2007), Real-Time Systems 35; Linux ``include/linux/can/length.h``; Bosch
    white paper on the CRC of CAN FD, section 5.

    Examples
    --------
    >>> int(longest_bits(8, is_extended=False)) + INTERMISSION_BITS
    135
    """
    stuffable = header_bits(is_extended=is_extended, is_fd=is_fd) + 8 * np.asarray(payload_length, np.int64)
    stuffable = stuffable + np.where(is_fd, -1, CRC_15_BITS)
    return unstuffed_bits(payload_length, is_extended=is_extended, is_fd=is_fd) + (stuffable - 1) // 4
