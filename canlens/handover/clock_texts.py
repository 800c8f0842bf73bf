"""Clock texts: stamps and dates of a recording where they stand in texts, such as a damaged line or a file's name."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

EARLIEST_S = 1e8
"""A recording whose first stamp is smaller counts from some beginning of its own and tells no date [s]."""
AROUND_S = 86400.0
"""Stamps this long before and after a recording are taken for its clock's [s]; our choice."""
AROUND = timedelta(days=31)
"""The same for dates, which may be those of a first look or of the hand-over."""

_STAMP = re.compile(r"(?<![A-Za-z0-9.])\d{9,11}(?:\.\d{1,9})?(?![A-Za-z0-9])")
_YEAR_FIRST = re.compile(r"(?<!\d)(?P<year>20\d\d)[-_./]?(?P<month>\d\d)[-_./]?(?P<day>\d\d)(?!\d)")
_YEAR_LAST = re.compile(r"(?<!\d)(?P<day>\d{1,2})[-_./](?P<month>\d{1,2})[-_./](?P<year>20\d\d)(?!\d)")


@dataclass(frozen=True)
class Clock:
    """The clock of one recording: its first stamp, in seconds since 1970, and how long it lasted [s]."""

    start_s: float
    duration_s: float

    def since(self, stamp_s: float) -> float | None:
        """Return a stamp in seconds from the first frame; None where it lies far outside the recording."""
        since = stamp_s - self.start_s
        return since if -AROUND_S <= since <= self.duration_s + AROUND_S else None

    def is_near(self, day: date) -> bool:
        """Return whether a day lies around the recording."""
        return abs(day - datetime.fromtimestamp(self.start_s, UTC).date()) <= AROUND


def clocks(recordings: Sequence[tuple[float | None, float]]) -> tuple[Clock, ...]:
    """Return the clocks of recordings, given first stamp and length [s], that tell a date."""
    latest = datetime(9999, 1, 1, tzinfo=UTC).timestamp()
    return tuple(Clock(start, length) for start, length in recordings if start and EARLIEST_S < start < latest)


def without_clock(text: str, known: Sequence[Clock], instead: str) -> tuple[str, int]:
    """Return a text without the stamps and dates of some clocks, and how many there were.

    Parameters
    ----------
    text
        Any text.
    known
        The clocks of the recordings.
    instead
        What takes the place of a date; a stamp becomes the seconds from the first frame.

    Examples
    --------
    >>> without_clock("2026-03-09 run: (1773050400.25) can0", clocks([(1773050400.0, 60.0)]), "DAY")
    ('DAY run: (0.250000) can0', 2)
    """
    counted = 0

    def stamp(match: re.Match[str]) -> str:
        nonlocal counted
        since = next((s for clock in known if (s := clock.since(float(match[0]))) is not None), None)
        counted += since is not None
        return match[0] if since is None else f"{since:.6f}"

    def day(match: re.Match[str]) -> str:
        nonlocal counted
        near = any(clock.is_near(each) for each in _days(match) for clock in known)
        counted += near
        return instead if near else match[0]

    if known:
        text = _YEAR_LAST.sub(day, _YEAR_FIRST.sub(day, _STAMP.sub(stamp, text)))
    return text, counted


def _days(match: re.Match[str]) -> list[date]:
    """Return the days that a written date may mean: day and month may stand either way round."""
    year, one, other = (int(match[name]) for name in ("year", "month", "day"))
    days = []
    for month, day in ((one, other), (other, one)):
        try:
            days.append(date(year, month, day))
        except ValueError:  # there is no such day
            continue
    return days
