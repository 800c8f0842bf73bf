"""Readers: a log file of any format becomes a Trace.

To add a format, write its module and put its reader into :data:`ALL`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.errors import UnknownFormatError
from canlens.readers import asc, blank, blf, candump, databases, foreign_text, screen
from canlens.readers.dressed import SAID, undressed
from canlens.readers.opening import Opened, Progress, Source, open_source
from canlens.readers.tables import table_columns, unread_table
from canlens.trace import Remark

if TYPE_CHECKING:
    from canlens.readers.reader import Reader
    from canlens.trace import Trace

ALL: tuple[Reader, ...] = (
    asc.READER,
    blf.READER,
    candump.READER,
    screen.READER,
    foreign_text.CSV,
    blank.READER,
    databases.MF4,
    databases.SQLITE,
    foreign_text.TRC,
)


def open_trace(source: Source, progress: Progress | None = None) -> Trace:
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
    elif columns := table_columns(head):
        reason = unread_table(columns)
    else:
        reason = f"is no recording that can be read. Tried: {', '.join(tried)}. Export the log in one of these formats."
    return UnknownFormatError(name, reason, tried=tried, claimed=claimed)
