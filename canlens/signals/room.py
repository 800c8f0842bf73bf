"""Memory for many columns of middling size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals.nouns import Floats

SMALL = 1 << 10
"""Columns shorter than this [rows] are made singly: the allocator serves them without asking the system."""
CHUNK = 1 << 21
"""Rows of one piece of memory, 16 MiB: numpy asks the system for huge pages, and only the ends get small ones."""


class Room:
    """Hands out fresh float64 columns, cut from few large pieces.

    The system clears every page of memory before a program may write to it, which takes longer than decoding
    the values that go there; huge pages make that cheap. A piece lives as long as one of its columns.
    """

    def __init__(self) -> None:
        self._piece: Floats = np.empty(0)

    def floats(self, count: int) -> Floats:
        """Return float64 (count,), not yet written."""
        if count < SMALL:
            return np.empty(count)
        if count > len(self._piece):
            self._piece = np.empty(max(count, CHUNK))
        column, self._piece = self._piece[:count], self._piece[count:]
        return column
