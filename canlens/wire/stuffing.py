"""Stuffing: the frames of one form as columns of bits, and the stuff bits the sender puts between them.

The CRC sequence of a classical frame has stuff bits too, so it is computed on the way; the shift register needs
exclusive-or only, which treats single bits and packed ones alike.

Each bit of the frame is one *plane*: that bit of all frames, packed to eight frames a byte. A rule for one
bit is then a handful of whole-array operations for all frames at once.

References
----------
Bosch CAN Specification 2.0 (1991), part A 5 and part B 5: after five equal bits the sender puts in one of the
other level, start of frame to the end of the CRC sequence. Bosch CAN with Flexible Data-Rate 1.0 (2012),
section 5: in CAN FD this ends with the data, and the CRC field has stuff bits at fixed places. CRC: the same, part A
3.1.1 and section 3.2.1; ISO 11898-1:2015 starts the registers of CRC-17 and CRC-21 with a leading one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, islice, tee
from typing import TYPE_CHECKING

import numpy as np

from canlens.wire.lengths import Bools, Bytes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

Plane = Bytes
"""uint8 (ceil(n / 8),): one bit of n frames; set means recessive."""

Counts = np.typing.NDArray[np.uint16]

SPACING = 4
"""Stuff bits of a frame are four of its bits apart or more: each is the first of the next five."""
EDGE_SPACING = 2
"""Edges of one direction are two bits apart or more: between two of them lies one of the other direction."""


@dataclass(frozen=True)
class Crc:
    """One CRC: its width [bit], polynomial without the leading term, and the register's first value."""

    width: int
    polynomial: int
    initial: int = 0


CRC_15 = Crc(15, 0x4599)
"""Classical frames: over the bits without stuff bits, start of frame to end of data."""


def advance(register: list[Bytes], bit: Bytes, crc: Crc) -> list[Bytes]:
    """Return the register, most significant column first, after one more bit; the old one is used up."""
    feedback = register[0] ^ bit
    shifted = [*register[1:], feedback]
    for place in range(crc.width - 1):
        if crc.polynomial >> (crc.width - 1 - place) & 1:
            np.bitwise_xor(shifted[place], feedback, out=shifted[place])
    return shifted


@dataclass(frozen=True, eq=False)
class FrameBlock:
    """The columns of n frames of one form: base or extended, classical or CAN FD, of one payload length.

    Attributes
    ----------
    identifier
        uint32 (n,).
    is_remote, bit_rate_switch, error_state_indicator
        bool (n,). The first is used in classical frames, the others in CAN FD.
    dlc
        uint8 (n,): the code as sent.
    data
        uint8 (length, n): the payload, one row a byte.
    """

    is_extended: bool
    is_fd: bool
    identifier: np.typing.NDArray[np.uint32]
    is_remote: Bools
    bit_rate_switch: Bools
    error_state_indicator: Bools
    dlc: Bytes
    data: Bytes

    def __len__(self) -> int:
        return len(self.identifier)


def _planes(column: Bytes, width: int = 8) -> Iterator[Plane]:
    """Yield the lowest ``width`` bits of a column of bytes, most significant first."""
    return (np.packbits(column & np.uint8(1 << bit)) for bit in range(width - 1, -1, -1))


def _identifier_planes(block: FrameBlock) -> tuple[list[Plane], list[Plane]]:
    """Return the eleven leading bits of the identifiers, and the eighteen that only extended ones have."""
    columns = np.ascontiguousarray(block.identifier.astype(">u4").view(np.uint8).reshape(-1, 4).T)
    if not block.is_extended:
        return [*_planes(columns[2], 3), *_planes(columns[3])], []
    planes = [*_planes(columns[0], 5), *chain.from_iterable(map(_planes, columns[1:]))]
    return planes[:11], planes[11:]


def _header(block: FrameBlock) -> list[Plane]:
    """Return the planes from start of frame to the end of the DLC."""
    dominant = np.packbits(np.zeros(len(block), np.bool_))
    recessive = ~dominant
    base, extension = _identifier_planes(block)
    remote = dominant if block.is_fd else np.packbits(block.is_remote)
    identifier = [*base, recessive, recessive, *extension, remote] if block.is_extended else [*base, remote, dominant]
    if block.is_fd:
        switch, indicator = np.packbits(block.bit_rate_switch), np.packbits(block.error_state_indicator)
        control = [recessive, dominant, switch, indicator]
    else:
        control = [dominant, dominant] if block.is_extended else [dominant]
    return [dominant, *identifier, *control, *_planes(block.dlc, 4)]


def stuffable(block: FrameBlock) -> Iterator[Plane]:
    """Yield every bit after which a dynamic stuff bit may follow, in the order in which they are sent.

    In classical frames the CRC sequence is computed on the way and follows the data. In CAN FD the last bit
    before the CRC field is left out: a fixed stuff bit follows it in any case and takes the place of a
    dynamic one.
    """
    header = _header(block)
    if block.is_fd:
        bits = chain(header, chain.from_iterable(map(_planes, block.data)))
        total = len(header) + 8 * len(block.data)
        yield from islice(bits, total - 1)
        return
    register = [np.zeros_like(header[0]) for _ in range(CRC_15.width)]
    for bit in chain(header, chain.from_iterable(map(_planes, block.data))):
        register = advance(register, bit, CRC_15)
        yield bit
    yield from register


def stuff_planes(bits: Iterable[Plane]) -> Iterator[Plane]:
    """Yield for each bit in which frames a stuff bit follows it.

    ``two``, ``three`` and ``four`` say whether the run of equal bits up to now, stuff bits included, is at
    least that long.
    """
    bits = iter(bits)
    level = next(bits)
    two, three, four = (np.zeros_like(level) for _ in range(3))
    yield np.zeros_like(level)
    for bit in bits:
        same = ~(bit ^ level)
        stuff = four & same
        goes_on = same ^ stuff
        two, three, four = goes_on, two & goes_on, three & goes_on
        level = bit ^ stuff
        yield stuff


def falling_planes(bits: Iterable[Plane]) -> Iterator[Plane]:
    """Yield for each bit in which frames the line goes from recessive to dominant at it or at its stuff bit.

    Before the first bit the bus is idle, that is recessive.
    """
    bits, same = tee(bits)
    level: Plane | None = None
    for bit, stuff in zip(bits, stuff_planes(same), strict=True):
        falls = ~bit if level is None else level & ~bit
        yield falls | (stuff & bit)
        level = bit ^ stuff


def count(planes: Iterable[Plane], frames: int, *, spacing: int = SPACING) -> Counts:
    """Count for each frame the planes that are set, of which any ``spacing`` in a row may hold one a frame.

    Parameters
    ----------
    planes
        Planes as :func:`stuff_planes` or :func:`falling_planes` yields them.
    spacing
        How many planes in a row hold one a frame at most.

    Returns
    -------
    uint16 (n,)
        How many planes are set; no frame has so many that they would not fit.
    """
    digits: list[Plane] = []  # of the sums, least significant first
    planes = iter(planes)
    added = 0
    while (carry := next(planes, None)) is not None:
        for plane in islice(planes, spacing - 1):
            carry = carry | plane
        added += 1
        if added.bit_length() > len(digits):
            digits.append(np.zeros_like(carry))
        for place, digit in enumerate(digits):
            digits[place], carry = digit ^ carry, digit & carry
    total = np.zeros(frames, np.uint16)
    for place, digit in enumerate(digits):
        total += np.unpackbits(digit, count=frames).astype(np.uint16) << np.uint16(place)
    return total
