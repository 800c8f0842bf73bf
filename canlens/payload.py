"""Payload: the bytes of all frames, as immutable columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, overload

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Iterator

Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Payload:
    """Payload bytes of all frames, kept by width so that one long frame does not widen all.

    Attributes
    ----------
    first8
        uint8 (n, 8): the first eight bytes of each frame, zero where the frame is shorter.
    length
        uint8 (n,): payload length [bytes].
    long_rows
        intp (m,): rows of the frames that are longer than eight bytes, ascending.
    long
        uint8 (m, 64): all bytes of those frames, zero where they are shorter.
    """

    first8: Bytes
    length: Bytes
    long_rows: Rows
    long: Bytes

    def __len__(self) -> int:
        return len(self.length)

    @overload
    def __getitem__(self, index: int) -> bytes: ...
    @overload
    def __getitem__(self, index: slice | Rows | Bools) -> Payload: ...
    def __getitem__(self, index: int | slice | Rows | Bools) -> bytes | Payload:
        """Return the bytes of one frame, or the payloads of several."""
        if isinstance(index, int | np.integer):
            row = range(len(self))[index]
            length = int(self.length[row])
            at = int(np.searchsorted(self.long_rows, row))
            if at < len(self.long_rows) and self.long_rows[at] == row:
                return self.long[at, :length].tobytes()
            return self.first8[row, : min(length, 8)].tobytes()
        rows = np.arange(len(self))[index]
        places: Rows = np.searchsorted(self.long_rows, rows)
        places[places == len(self.long_rows)] = 0
        is_long = self.long_rows[places] == rows if len(self.long_rows) else np.zeros(len(rows), bool)
        return Payload(self.first8[index], self.length[index], np.flatnonzero(is_long), self.long[places[is_long]])

    @property
    def words(self) -> npt.NDArray[np.uint64]:
        """uint64 (n,): the first eight bytes of each frame, byte 0 the least significant."""
        return np.ascontiguousarray(self.first8).view("<u8")[:, 0]

    def __iter__(self) -> Iterator[bytes]:
        return (self[row] for row in range(len(self)))

    def matrix(self, width: int) -> Bytes:
        """Return the first ``width`` bytes of each frame, zero where it is shorter, as uint8 (n, width)."""
        out = np.zeros((len(self), width), np.uint8)
        out[:, :8] = self.first8[:, :width]
        if width > 8 and len(self.long_rows):  # noqa: PLR2004 – the width of ``first8``
            out[self.long_rows] = self.long[:, :width]
        return out

    @classmethod
    def of(cls, payloads: list[bytes]) -> Payload:
        """Build the columns from one bytes object a frame, at most 64 bytes each."""
        length = np.fromiter(map(len, payloads), np.uint8, len(payloads))
        joined = b"".join(payload[:8].ljust(8, b"\0") for payload in payloads)
        long_rows = np.flatnonzero(length > 8)  # noqa: PLR2004
        long = b"".join(payloads[row].ljust(64, b"\0") for row in long_rows)
        return cls(
            np.frombuffer(joined, np.uint8).reshape(-1, 8),
            length,
            long_rows,
            np.frombuffer(long, np.uint8).reshape(-1, 64),
        )
