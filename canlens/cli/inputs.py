"""Files that a person names on the command line: looked at before they are read, with progress while they are."""

from __future__ import annotations

import sys
import time
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Final

from canlens.errors import UnknownFormatError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import TextIO

    from canlens.trace import Trace


STANDARD_STREAM = "-"


def require_file(name: str, *, what: str) -> None:
    """Raise a sentence, with names that look alike, if there is no such file to read; ``-`` is always there."""
    if name == STANDARD_STREAM:
        return
    path = Path(name)
    if path.is_dir():
        raise UsageError(f"{name}: expected {what}, found a folder. Name the file inside it.")
    if path.exists():
        return
    folder = path.parent
    if not folder.is_dir():
        raise UsageError(f"{name}: expected {what}, but there is no folder {folder}.")
    beside = [each.name for each in folder.iterdir() if each.is_file()]
    close = get_close_matches(path.name, beside, n=3)
    hint = f" Close names: {', '.join(close)}." if close else ""
    raise UsageError(f"{name}: expected {what}, but there is no such file.{hint}")


def require_plan(name: str) -> None:
    """Raise a sentence if there is no such plan to read; standard input can be none."""
    if name == STANDARD_STREAM:
        raise UsageError("-: the plan must be a file, since the paths in it start from its folder.")
    require_file(name, what="the plan")


def require_beside(name: str | None, *, what: str) -> None:
    """Raise a sentence if what goes with a recording is not there to be read; standard input is the recording's."""
    if name == STANDARD_STREAM:
        raise UsageError(f"-: {what} must be a file.")
    if name is not None:
        require_file(name, what=what)


def require_place(name: str, sources: Sequence[str | None]) -> None:
    """Raise a sentence if a result cannot be written into a file of this name, or it is one of those that are read."""
    target = Path(name)
    if target.is_dir():
        raise UsageError(f"{name}: expected a file to write, found a folder. Name a file inside it.")
    if not target.parent.is_dir():
        raise UsageError(f"{name}: there is no folder {target.parent} to write into. Make it, or name another one.")
    if not target.exists():
        return
    for source in sources:
        if source not in (None, STANDARD_STREAM) and target.samefile(source):
            raise UsageError(f"{name}: this would overwrite a file that is read. Name another one.")


# Progress: how far a long recording has been read, on a console and nowhere else.


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
    """Read a recording for a command; on a console that shows standard error, tell how far it is."""
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
    """A line that says how much of a file has been read; it is taken away when reading ends."""

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
