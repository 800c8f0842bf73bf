"""Remaking: a stream of bytes made anew from another, a step at a time."""

from __future__ import annotations

import io
from typing import Final

STEP: Final = 1 << 18
"""Bytes that are asked for at once."""


class Remade(io.RawIOBase):
    """A stream made anew from another, a step at a time; what is ready waits until it is asked for."""

    def __init__(self) -> None:
        self._ready = b""
        self._ended = False

    def readable(self) -> bool:
        """Tell that it can be read."""
        return True

    def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
        """Fill a buffer as far as there is anything; return the number of bytes, 0 at the end."""
        while not self._ready and not self._ended:
            self._more()
        count = min(len(buffer), len(self._ready))
        buffer[:count] = self._ready[:count]
        self._ready = self._ready[count:]
        return count

    def _more(self) -> None:
        """Make more of it ready, or tell that it has ended."""
        raise NotImplementedError
