"""Readers: a log file of any format becomes a Trace."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from canlens.errors import UnknownFormatError
from canlens.readers.formats import ALL
from canlens.readers.opening import SAID, Opened, Progress, Source, open_source, undressed
from canlens.trace import Remark

if TYPE_CHECKING:
    from canlens.readers.opening import Reader
    from canlens.trace import Trace

__all__ = ["ALL", "read_trace"]

MARKS: Final = b",;\t|"
FEWEST: Final = 3
"""Columns of the smallest table of frames: time, identifier, data."""
WORDS: Final = re.compile(rb"time|stamp|\bid\b|identifier|arbitration|data|dlc|len|payload|byte", re.IGNORECASE)
WANTED: Final = "timestamp, arbitration_id, extended, remote, error, dlc, data"
SHOWN: Final = 10


def read_trace(source: Source, progress: Progress | None = None) -> Trace:
    """Read a recording.

    Parameters
    ----------
    source
        A path (``-`` is standard input) or an open binary file. The content decides about the format, not the name.
    progress
        Called now and then with the bytes of the file that have been read and their whole number, ``None`` where that
        is not known, as of standard input.

    Raises
    ------
    LogError
        The file cannot be opened or read at all.
    UnknownFormatError
        No format, or more than one, fits the first bytes.
    """
    with open_source(source, progress) as opened:
        claimed = _claimed(opened.head)
        if claimed:
            return _only(claimed, opened).read(opened)
        bare = undressed(opened)
        trace = _only(_claimed(bare.head), opened).read(bare)
        return replace(trace, remarks=(Remark(0, SAID), *trace.remarks))


def _claimed(head: bytes) -> list[Reader]:
    return [reader for reader in ALL if reader.recognises(head)]


def _only(claimed: list[Reader], opened: Opened) -> Reader:
    """Return the one reader that claims a file."""
    if len(claimed) != 1:
        raise _unknown(opened.name, tuple(reader.name for reader in claimed), opened.head)
    return claimed[0]


def _unknown(name: str, claimed: tuple[str, ...], head: bytes) -> UnknownFormatError:
    tried = tuple(reader.name for reader in ALL if reader.name != "empty")
    if claimed:
        reason = f"could be {' or '.join(claimed)}. Keep only the lines of one format."
    elif columns := _table_columns(head):
        reason = _unread_table(columns)
    else:
        reason = f"is no recording that can be read. Tried: {', '.join(tried)}. Export the log in one of these formats."
    return UnknownFormatError(name, reason, tried=tried, claimed=claimed)


def _table_columns(head: bytes) -> tuple[str, ...]:
    """Return the columns of a table of frames, as its first line names them; empty if it is no such table."""
    lines = [line for line in head.splitlines()[:3] if line.strip() and not line.startswith(b"sep=")]
    for mark in MARKS:
        names = lines[0].split(bytes((mark,))) if lines else []
        if len(names) >= FEWEST and sum(WORDS.search(name) is not None for name in names) > 1:
            return tuple(name.decode("utf-8", "replace").strip().strip('"') for name in names)
    return ()


def _unread_table(columns: tuple[str, ...]) -> str:
    """Say what is expected of a table."""
    names = ", ".join(columns[:SHOWN]) + (" …" if len(columns) > SHOWN else "")
    return (
        f"is a table with the columns {names}. Which are seconds, which digits are hexadecimal, it does not say. "
        f"Expected: the columns {WANTED}, in this order, with seconds, 0x123, 0 or 1, and data in Base64; "
        "or, one frame a line, (1436509052.249713) can0 123#1122."
    )
