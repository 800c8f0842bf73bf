"""Progress: how far a long recording has been read, on a console and nowhere else."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Final

from canlens.errors import UnknownFormatError, UsageError

if TYPE_CHECKING:
    from typing import TextIO

    from canlens.trace import Trace

PATIENCE_S: Final = 1.0
"""Reading that ends sooner shows nothing."""
PAUSE_S: Final = 0.2
MEGABYTE: Final = 1_000_000
CLEAR_LINE: Final = "\r\x1b[K"
OTHER_KINDS: Final = {
    ".toml": "a plan: it comes first in 'canlens check', behind --plan in 'canlens compare', and 'survey' needs none",
    ".dbc": "a database: give it with --dbc, or name it in the plan",
}
"""What a file may be that no reader knows, by the end of its name, and where it belongs."""


def read_log(log: str) -> Trace:
    """Read a recording for a command; on a console that shows standard error, tell how far it is.

    Raises
    ------
    CanlensError
        If it cannot be read at all.
    """
    from canlens import read_trace

    shown = Progress(log, sys.stderr) if sys.stderr.isatty() else None
    try:
        return read_trace(log, progress=shown)
    except UnknownFormatError as error:
        kind = next((kind for suffix, kind in OTHER_KINDS.items() if log.endswith(suffix)), None)
        if kind is None or error.claimed:
            raise
        raise UsageError(f"{log}: expected a recording, but by its name this is {kind}.") from error
    finally:
        if shown is not None:
            shown.clear()


class Progress:
    """A line that says how much of a file has been read; it is taken away when reading ends.

    Parameters
    ----------
    name
        Of the file, as the user wrote it.
    stream
        The console.
    """

    def __init__(self, name: str, stream: TextIO) -> None:
        self._name = name
        self._stream = stream
        self._due_s = time.monotonic() + PATIENCE_S
        self._is_shown = False

    def __call__(self, done: int, total: int | None) -> None:
        """Take in that ``done`` of ``total`` bytes have been read."""
        now_s = time.monotonic()
        if now_s < self._due_s:
            return
        self._due_s = now_s + PAUSE_S
        part = f"{100 * done // total} % of " if total else ""
        size = f"{(total or done) / MEGABYTE:.0f} MB"
        name = self._name if self._name.isascii() and self._name.isprintable() else "the recording"
        self._stream.write(f"{CLEAR_LINE}Reading {name[-40:]}: {part}{size}")
        self._stream.flush()
        self._is_shown = True

    def clear(self) -> None:
        """Take the line away."""
        if self._is_shown:
            self._stream.write(CLEAR_LINE)
            self._stream.flush()
            self._is_shown = False
