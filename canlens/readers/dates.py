"""Dates: time stamps written as a date become seconds before the lines are read."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime
from functools import lru_cache
from typing import Final

from canlens.readers.grammar import LONGEST_LINE
from canlens.readers.remaking import STEP, Remade

DATE: Final = re.compile(
    rb"^([^\S\n]*\(\s*)([0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}:[0-9]{2})([.,][0-9]{1,9}\s*\))", re.MULTILINE
)


def seconds_for_dates(stream: io.BufferedIOBase) -> io.BufferedIOBase:
    """Return the stream with each date at the start of a line as seconds since 1970; what is no date stays."""
    return io.BufferedReader(_Dated(stream), STEP)


class _Dated(Remade):
    """Lines whose dates are numbers."""

    def __init__(self, dated: io.BufferedIOBase) -> None:
        super().__init__()
        self._dated = dated

    def _more(self) -> None:
        text = self._dated.read(STEP)
        self._ended = not text
        self._ready = DATE.sub(_in_seconds, text + self._dated.readline(LONGEST_LINE))


def _in_seconds(match: re.Match[bytes]) -> bytes:
    seconds = _seconds(match[2])
    return match[0] if seconds is None else b"%b%010d%b" % (match[1], seconds, match[3])


@lru_cache(maxsize=1024)
def _seconds(date: bytes) -> int | None:
    """Return the seconds since 1970, ``None`` for a date that no calendar has, or one before 1970."""
    try:
        seconds = int(datetime.fromisoformat(date.decode()).replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None
    return seconds if seconds >= 0 else None
