"""The text of a DBC: where its entries stand, and page ranges too wide to be listed value by value."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, field

Pages = tuple[tuple[int, int], ...]

WIDEST_RANGE = 1024
"""Page ranges up to this many values are left to the parser, which lists every value; our choice: 64 of them
stay far below a megabyte."""

_STRING = re.compile(r'"(?:\\"|[^"])*"')
_ENTRY = re.compile(
    r"^[ \t]*(?:BO_[ \t]+(?P<identifier>\d+)[ \t]+(?P<message>\w+)"
    r"|SG_[ \t]+(?P<signal>\w+)(?:[ \t]+(?P<mark>m\d+M?|M))?[ \t]*:)",
    re.MULTILINE | re.ASCII,
)
_PAGES = re.compile(
    r"^[ \t]*SG_MUL_VAL_\s+(?P<identifier>\d+)\s+(?P<signal>\w+)\s+\w+\s+(?P<ranges>[\d\s,-]+);",
    re.MULTILINE | re.ASCII,
)
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)", re.ASCII)


@dataclass(frozen=True)
class SignalEntry:
    """An ``SG_`` line: its name, its multiplexer mark (``M``, ``m3``, ``m3M`` or none) and its line."""

    name: str
    mark: str
    line: int


@dataclass(frozen=True)
class MessageEntry:
    """A ``BO_`` line with the ``SG_`` lines under it; the identifier as written, with its flag bit."""

    identifier: int
    name: str
    line: int
    signals: list[SignalEntry] = field(default_factory=list)


@dataclass(frozen=True)
class DbcText:
    """A DBC, ready for the parser.

    Attributes
    ----------
    text
        What the parser is given; line numbers are those of the file.
    messages
        ``BO_`` entries, in file order.
    wide_pages
        (identifier as written, signal) -> page ranges that were shortened in ``text``.
    """

    text: str
    messages: tuple[MessageEntry, ...]
    wide_pages: dict[tuple[int, str], Pages]

    def line_of_message(self, name: str) -> int:
        """Return the line that defines a message, 0 if none does."""
        return next((entry.line for entry in self.messages if entry.name == name), 0)

    def line_with(self, pattern: str) -> int:
        """Return the line on which a regular expression first matches, 0 if nowhere."""
        match = re.search(pattern, self.text, re.MULTILINE)
        return self.text.count("\n", 0, match.start()) + 1 if match else 0


def prepare(text: str) -> DbcText:
    """Note where the entries stand and shorten wide page ranges.

    Parameters
    ----------
    text
        A DBC as written.

    Returns
    -------
    DbcText
        Its text differs from the one given only in page ranges.
    """
    wide: dict[tuple[int, str], Pages] = {}

    def shorten(match: re.Match[str]) -> str:
        ranges = [(int(low), int(high)) for low, high in _RANGE.findall(match["ranges"])]
        too_wide = [(low, high) for low, high in ranges if high - low >= WIDEST_RANGE]
        if not too_wide:
            return match[0]
        key = int(match["identifier"]), match["signal"]
        wide[key] = (*wide.get(key, ()), *too_wide)
        start, end = match.start("ranges") - match.start(), match.end("ranges") - match.start()
        return match[0][:start] + _RANGE.sub(_shortened, match["ranges"]) + match[0][end:]

    return DbcText(_PAGES.sub(shorten, text), tuple(_entries(text)), wide)


def _shortened(match: re.Match[str]) -> str:
    low, high = int(match[1]), int(match[2])
    return f"{low}-{low}" if high - low >= WIDEST_RANGE else match[0]


def _entries(text: str) -> list[MessageEntry]:
    """List messages and signals; what stands between quotation marks is no entry."""
    bare = _STRING.sub(lambda match: re.sub(r"[^\n]", " ", match[0]), text)
    line_ends = [match.start() for match in re.finditer("\n", bare)]
    messages: list[MessageEntry] = []
    for match in _ENTRY.finditer(bare):
        line = bisect_right(line_ends, match.end() - 1) + 1
        if match["message"]:
            messages.append(MessageEntry(int(match["identifier"]), match["message"], line))
        elif messages:
            messages[-1].signals.append(SignalEntry(match["signal"], match["mark"] or "", line))
    return messages
