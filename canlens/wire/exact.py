"""Exact: how many bits each frame took on the wire, for how long it held the bus, and which of two gets it."""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from canlens.wire.lengths import (
    CLASSICAL_LENGTH,
    FD_BITS_AFTER_SWITCH,
    FD_LENGTH,
    Bools,
    Bytes,
    Ints,
    header_bits,
    longest_bits,
    unstuffed_bits,
    unstuffed_data_rate_bits,
)
from canlens.wire.stuffing import EDGE_SPACING, FrameBlock, count, falling_planes, stuff_planes, stuffable

if TYPE_CHECKING:
    from collections.abc import Iterator

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Element = TypeVar("Element", bound=np.generic)

REMOTE, ERROR = 1, 2  # of a frame's ``kind``

_BLOCK_ROWS = 1 << 18  # planes of 32 kB: they stay in the cache, and numpy's cost per call does not show
_STRETCH = 1 << 20  # rows that are sorted by form at once, so that memory stays small
_NO_FORM = 64
_WIDE = 8  # bytes of a payload that lie in ``first8``


class PayloadColumns(Protocol):
    """The payload bytes of n frames; :class:`canlens.trace.Payload` is one."""

    @property
    def first8(self) -> Bytes:
        """The first eight bytes: uint8 (n, 8)."""

    @property
    def long_rows(self) -> Rows:
        """Rows of the frames that are longer than eight bytes, ascending: intp (m,)."""

    @property
    def long(self) -> Bytes:
        """All bytes of those: uint8 (m, 64)."""


class FrameColumns(Protocol):
    """The columns that fix a frame on the wire, as :class:`canlens.trace.Trace` has them."""

    @property
    def identifier(self) -> npt.NDArray[np.uint32]: ...  # noqa: D102
    @property
    def is_extended(self) -> Bools: ...  # noqa: D102
    @property
    def kind(self) -> Bytes: ...  # noqa: D102
    @property
    def is_fd(self) -> Bools: ...  # noqa: D102
    @property
    def bit_rate_switch(self) -> Bools: ...  # noqa: D102
    @property
    def error_state_indicator(self) -> Bools: ...  # noqa: D102
    @property
    def dlc(self) -> Bytes: ...  # noqa: D102
    @property
    def payload(self) -> PayloadColumns: ...  # noqa: D102


def is_fd_on_wire(frames: FrameColumns) -> Bools:
    """Tell which frames have the CAN FD form: a remote frame never has (Bosch CAN FD 1.0, 3.2.2)."""
    is_fd: Bools = frames.is_fd & (frames.kind != REMOTE)
    return is_fd


def length_on_wire(frames: FrameColumns) -> Bytes:
    """Return the bytes of data each frame carries, as its DLC says; 0 for remote frames and error records."""
    length: Bytes = np.where(frames.is_fd, FD_LENGTH[frames.dlc & 15], CLASSICAL_LENGTH[frames.dlc & 15])
    length[frames.kind != 0] = 0
    return length


def exact_bits(frames: FrameColumns) -> Ints:
    """Count the bits of each frame on the wire, stuff bits included.

    Parameters
    ----------
    frames
        n frames. The DLC decides how many bytes were sent; bytes the recorder did not keep count as zero.

    Returns
    -------
    int64 (n,)
        Start of frame to end of frame [bit], **without** the 3 bits of intermission; 0 for error records.

    References
    ----------
    Bosch CAN Specification 2.0 (1991); Bosch CAN with Flexible Data-Rate 1.0 (2012) with the stuff count of
    ISO 11898-1:2015.
    """
    bits = np.zeros(len(frames.kind), np.int64)
    for rows, block in _blocks(frames, frames.kind != ERROR):
        fixed = int(unstuffed_bits(len(block.data), is_extended=block.is_extended, is_fd=block.is_fd))
        bits[rows] = count(stuff_planes(stuffable(block)), len(block)) + fixed
    return bits


def data_rate_bits(frames: FrameColumns) -> Ints:
    """Count those bits of each frame that run at the data bit rate.

    Returns
    -------
    int64 (n,)
        Bits after the bit rate switch, up to and with the CRC delimiter; 0 where the bit rate is not
        switched. The switch itself and the CRC delimiter change the rate within the bit, and together last
        one bit of each rate, so that counting the one as nominal and the other as data gives the exact
        duration.

    References
    ----------
    Bosch CAN with Flexible Data-Rate 1.0 (2012), section 8.
    """
    bits = np.zeros(len(frames.kind), np.int64)
    for rows, block in _blocks(frames, is_fd_on_wire(frames) & frames.bit_rate_switch & (frames.kind != ERROR)):
        before = int(header_bits(is_extended=block.is_extended, is_fd=True)) - FD_BITS_AFTER_SWITCH
        stuff = islice(stuff_planes(stuffable(block)), before, None)
        fixed = int(unstuffed_data_rate_bits(len(block.data)))
        bits[rows] = count(stuff, len(block)) + fixed
    return bits


def falling_edges(frames: FrameColumns) -> Ints:
    """Count the edges from recessive to dominant of each frame on the wire, stuff bits included.

    These are the edges to which receivers synchronise, and those that a bus without its terminator reaches late.

    Parameters
    ----------
    frames
        n frames, as for :func:`exact_bits`.

    Returns
    -------
    int64 (n,)
        From the idle bus before the start of frame to the end of frame, acknowledged; 0 for error records. Of a
        CAN FD frame only up to the last bit of its data: that bit and the CRC field behind it are not looked at.

    References
    ----------
    Bosch CAN Specification 2.0 (1991), part A 8 (synchronisation) and 5 (bit stuffing).
    """
    edges = np.zeros(len(frames.kind), np.int64)
    for rows, block in _blocks(frames, frames.kind != ERROR):
        at_acknowledge = 0 if block.is_fd else 1
        edges[rows] = count(falling_planes(stuffable(block)), len(block), spacing=EDGE_SPACING) + at_acknowledge
    return edges


def frame_bounds(frames: FrameColumns) -> tuple[Ints, Ints]:
    """Return the least and the most bits the form of each frame allows; 0 for error records.

    Returns
    -------
    int64 (n,), int64 (n,)
        :func:`~canlens.wire.lengths.unstuffed_bits` and :func:`~canlens.wire.lengths.longest_bits`, without
        intermission.
    """
    length, is_fd = length_on_wire(frames), is_fd_on_wire(frames)
    is_frame = frames.kind != ERROR
    least = unstuffed_bits(length, is_extended=frames.is_extended, is_fd=is_fd)
    most = longest_bits(length, is_extended=frames.is_extended, is_fd=is_fd)
    return least * is_frame, most * is_frame


def frame_seconds(
    bits: Ints, *, at_data_rate: Ints | int = 0, bit_rate: float, data_bit_rate: float | None = None
) -> Floats:
    """Compute how long bits last on the bus.

    Parameters
    ----------
    bits
        int64 (n,): all bits of each frame, as from :func:`exact_bits`; add the intermission first if it is to
        count.
    at_data_rate
        int64 (n,): those of them that run at the data bit rate, as from :func:`data_rate_bits`.
    bit_rate, data_bit_rate
        Nominal and data bit rate [bit/s]; without the latter all bits last as long as nominal ones.

    Returns
    -------
    float64 (n,)
        Duration [s].

    Examples
    --------
    >>> frame_seconds(np.array([111]), bit_rate=500_000).tolist()
    [0.000222]
    """
    if isinstance(at_data_rate, int) and not at_data_rate:
        return bits / bit_rate
    return (bits - at_data_rate) / bit_rate + at_data_rate / (data_bit_rate or bit_rate)


def arbitration_rank(identifier: np.typing.NDArray[np.uint32], is_extended: Bools) -> Ints:
    """Return the order in which identifiers win the bus, as int64 (n,); the smallest wins.

    Bits are compared as they are sent, and a dominant 0 wins: first the 11 bits that both formats have in front,
    then the base format wins with its dominant IDE bit, then the other 18 bits of the extended format.

    References
    ----------
    Bosch CAN Specification 2.0 (1991), part B, 3.2.1 data frame: arbitration field, SRR and IDE bit.

    Examples
    --------
    >>> arbitration_rank(
    ...     np.array([0x100, 0x4000000, 0x101], np.uint32), np.array([False, True, False])
    ... ).argsort().tolist()
    [0, 1, 2]
    """
    wide = identifier.astype(np.int64)
    return np.where(is_extended, (wide >> 18) << 19 | 1 << 18 | wide & 0x3FFFF, wide << 19)


def _blocks(frames: FrameColumns, wanted: Bools) -> Iterator[tuple[Rows | slice, FrameBlock]]:
    """Cut the wanted frames into blocks of one form, with the rows each block came from."""
    length_code = np.where(frames.is_fd, frames.dlc & 15, np.minimum(frames.dlc & 15, 8))
    length_code[frames.kind == REMOTE] = 0
    is_fd = is_fd_on_wire(frames)
    form = length_code | frames.is_extended.view(np.uint8) << 4 | is_fd.view(np.uint8) << 5
    form[~wanted] = _NO_FORM
    for first in range(0, len(form), _STRETCH):
        for rows, code in _of_one_form(form[first : first + _STRETCH], first):
            table = FD_LENGTH if code >> 5 else CLASSICAL_LENGTH
            yield rows, _block(frames, rows, length=int(table[code & 15]), code=code)


def _of_one_form(form: Bytes, first: int) -> Iterator[tuple[Rows | slice, int]]:
    """Yield the rows of each form of a stretch that begins at row ``first``, a block at a time."""
    numbers = np.bincount(form, minlength=_NO_FORM)[:_NO_FORM].tolist()
    order = None if max(numbers) == len(form) else first + np.argsort(form, kind="stable")
    end = 0
    for code, number in enumerate(numbers):
        begin, end = end, end + number
        for start in range(begin, end, _BLOCK_ROWS):
            stop = min(start + _BLOCK_ROWS, end)
            yield slice(first + start, first + stop) if order is None else order[start:stop], code


def _block(frames: FrameColumns, rows: Rows | slice, *, length: int, code: int) -> FrameBlock:
    """Gather one block."""
    return FrameBlock(
        is_extended=bool(code >> 4 & 1),
        is_fd=bool(code >> 5),
        identifier=_pick(frames.identifier, rows),
        is_remote=_pick(frames.kind, rows) == REMOTE,
        bit_rate_switch=_pick(frames.bit_rate_switch, rows),
        error_state_indicator=_pick(frames.error_state_indicator, rows),
        dlc=_pick(frames.dlc, rows),
        data=_data(frames.payload, rows, length),
    )


def _pick(column: npt.NDArray[Element], rows: Rows | slice) -> npt.NDArray[Element]:
    """Return some rows of a column; ``take`` copies short rows faster than an index does."""
    return column[rows] if isinstance(rows, slice) else column.take(rows, axis=0)


def _data(payload: PayloadColumns, rows: Rows | slice, length: int) -> Bytes:
    """Return the first bytes of the frames in ``rows`` as uint8 (length, k), zero where they are shorter."""
    first = _pick(payload.first8, rows)
    if length <= _WIDE:
        return np.ascontiguousarray(first[:, :length].T)
    wide = np.zeros((len(first), length), np.uint8)
    wide[:, :_WIDE] = first
    if len(payload.long_rows):
        row = np.arange(len(payload.first8), dtype=np.intp)[rows] if isinstance(rows, slice) else rows
        at = np.minimum(np.searchsorted(payload.long_rows, row), len(payload.long_rows) - 1)
        is_long = payload.long_rows[at] == row
        wide[is_long] = payload.long[at[is_long], :length]
    return np.ascontiguousarray(wide.T)
