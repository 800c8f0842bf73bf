"""empty: a file without a single character but blanks: a recording in which nothing was heard."""

from __future__ import annotations

from canlens.readers.opening import HEAD, Opened, Reader
from canlens.trace import Source, Trace


def recognises(head: bytes) -> bool:
    """Tell whether the file holds nothing but blanks."""
    return not head.strip() and len(head) < HEAD


def read(opened: Opened) -> Trace:
    """Return a recording without frames."""
    return Trace.empty(source=Source(opened.name, opened.sha256(), "empty"), problems=tuple(opened.problems))


READER = Reader("empty", recognises, read, keeps="an empty file is a recording without frames", cannot_hold="anything")
