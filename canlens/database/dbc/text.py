"""The text of a DBC, ready for the parser: message by message, with page ranges too wide to be listed cut short."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.database.dbc.book import Book

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database.dbc.messages import MessageEntry
    from canlens.database.nouns import DatabaseProblem

Pages = tuple[tuple[int, int], ...]

WIDEST_RANGE = 1024
"""Page ranges up to this many values are left to the parser, which lists every value; our choice: 64 of them
stay far below a megabyte."""

_PAGES = re.compile(r"SG_MUL_VAL_ (?P<number>\d+) (?P<signal>\w+) \w+ (?P<ranges>[\d\s,-]+);", re.ASCII)
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)", re.ASCII)


@dataclass(frozen=True)
class DbcText:
    """A DBC, ready for the parser.

    Attributes
    ----------
    shared
        Entries that belong to no single message.
    messages
        Those that are used, in file order.
    problems
        What is said of entries that could not be used as they stand.
    wide_pages
        (number as the parser is given it, signal) -> page ranges that were cut short.
    has_entries
        Whether there was a single entry of a DBC.
    """

    shared: str
    messages: tuple[MessageEntry, ...]
    problems: tuple[DatabaseProblem, ...]
    wide_pages: dict[tuple[int, str], Pages]
    has_entries: bool

    def text(self, messages: Sequence[MessageEntry]) -> str:
        """Return the text with some of its messages."""
        return "\n".join((self.shared, *(message.text() for message in messages)))


def prepare(text: str, *, file: str) -> DbcText:
    """Gather the entries of a DBC.

    Parameters
    ----------
    text
        As decoded.
    file
        Named in the problems.
    """
    book = Book(text.replace("\r\n", "\n").replace("\r", "\n"), file)
    wide: dict[tuple[int, str], Pages] = {}
    messages = tuple(message for message in book.messages if message.is_used)
    for message in messages:
        message.texts = [_cut_short(each, wide) for each in message.texts]
    return DbcText("\n".join(book.shared), messages, tuple(book.notes.problems), wide, book.sound > 0)


def _cut_short(text: str, wide: dict[tuple[int, str], Pages]) -> str:
    """Note wide ranges of a page entry and leave one value of each."""
    match = _PAGES.match(text)
    if match is None:
        return text
    ranges = [(int(low), int(high)) for low, high in _RANGE.findall(match["ranges"])]
    too_wide = tuple((low, high) for low, high in ranges if high - low >= WIDEST_RANGE)
    if not too_wide:
        return text
    key = int(match["number"]), match["signal"]
    wide[key] = (*wide.get(key, ()), *too_wide)
    return text[: match.start("ranges")] + _RANGE.sub(_shortened, match["ranges"]) + text[match.end("ranges") :]


def _shortened(match: re.Match[str]) -> str:
    low, high = int(match[1]), int(match[2])
    return f"{low}-{low}" if high - low >= WIDEST_RANGE else match[0]
