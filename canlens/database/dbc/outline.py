"""Where the messages and signals of a DBC stand, which the parser does not tell, and whether it may have the file."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from canlens.database.dbc.entries import LINE_START, MARK, STRING, split
from canlens.database.nouns import FLOAT_LENGTHS

Pages = tuple[tuple[int, int], ...]

FLAG_EXTENDED: Final = 0x8000_0000
"""Bit 31 of a DBC message number marks a 29-bit identifier."""
MOST_BITS: Final = 1 << 16
"""A start bit or length from here on is none: transport protocols carry 1785 bytes, other buses a few thousand."""
WIDEST_RANGE: Final = 1024
"""Page ranges up to this many values are left to the parser, which lists every value; our choice: 64 of them
stay far below a megabyte."""

_TEXT = re.compile(rf"{STRING}|//[^\n]*")
_ENTRY = re.compile(
    r"\bBO_\s+(?P<number>\d{1,20}+)\s*(?P<name>\w+)\s*:\s*(?P<bytes>\d{1,20}+)"
    r"|\bSG_\s+(?P<signal>\w+)(?:\s+(?P<mark>\w+))?\s*:\s*(?P<start>\d{1,20})\s*\|\s*(?P<length>\d{1,20})\s*@\s*(?P<order>\w+)",
    re.ASCII,
)
_REFERENCE = re.compile(
    r'\b(?:BA_\s*""\s*(?:BO_|SG_)|SG_MUL_VAL_|SIG_VALTYPE_|BO_TX_BU_)\s*(\d{1,20}+)\s*([A-Za-z_]\w*)?', re.ASCII
)
_PAGES = re.compile(r"\bSG_MUL_VAL_\s+\w+\s+\w+\s+\w+\s+([\d\s,-]+);", re.ASCII)
_FLOAT = re.compile(r"\bSIG_VALTYPE_\s+(\d{1,20})\s+(\w+)\s*:\s*(\d+)", re.ASCII)
_NUMBERLESS_TABLE = re.compile(r"\bVAL_\s+([A-Za-z_]\w*)\s+[-+]?\d", re.ASCII)
_VARIABLE = re.compile(r"\bEV_\s+(\w+)\s*:", re.ASCII)
_MONSTER = re.compile(r"\d[eE][-+]?\d{4}|(?<![.\w])\d{21}|\bm\d{11}", re.ASCII)
"""Numbers that the parser could only take with gigabytes or minutes: exponents of four digits, whole numbers beyond
64 bits, pages beyond 32."""
_RANGE = re.compile(r"(\d{1,20})\s*-\s*(\d{1,20})", re.ASCII)


@dataclass(frozen=True)
class SignalEntry:
    """An ``SG_`` line: its name, its multiplexer mark (``M``, ``m3``, ``m3M`` or none), its line and length [bits]."""

    name: str
    mark: str
    line: int
    length: int


@dataclass
class MessageEntry:
    """A ``BO_`` line with the ``SG_`` lines under it.

    Attributes
    ----------
    number
        As the parser is given it, with its flag bit; -1 where it could not be read.
    name, line
        Of the ``BO_`` line.
    wide_pages
        Signal -> page ranges that the parser was not given, since they are too wide to be listed.
    has_length
        Whether its payload length could be read; else it is as long as its signals need.
    """

    number: int
    name: str
    line: int
    signals: list[SignalEntry] = field(default_factory=list)
    wide_pages: dict[str, Pages] = field(default_factory=dict)
    has_length: bool = True

    def signal(self, name: str) -> SignalEntry | None:
        """Return the first signal of that name, or None."""
        return next((each for each in self.signals if each.name == name), None)


def outline(text: str) -> list[MessageEntry] | None:
    """Find the messages and signals of a DBC that is well written.

    Returns
    -------
    list or None
        The messages in file order. None where the parser may not have the file as it is: a number in it would cost
        gigabytes, or the parser would be silent where something is lost (a last entry that is cut off, an entry
        about a message or signal that is not there, a mark, a byte order or a type of float that is none).
    """
    plain = _TEXT.sub(_emptied, text)
    messages: list[MessageEntry] = []
    line, counted = 1, 0
    for match in _ENTRY.finditer(plain):
        line, counted = line + plain.count("\n", counted, match.start()), match.start()
        if match["number"] and int(match["bytes"]) < MOST_BITS // 8:
            messages.append(MessageEntry(int(match["number"]), match["name"], line))
        elif match["signal"] and messages and _is_signal(match):
            signal = SignalEntry(match["signal"], match["mark"] or "", line, int(match["length"]))
            messages[-1].signals.append(signal)
        else:
            return None
    last = max((match.start() for match in LINE_START.finditer(text)), default=0)
    is_whole = all(piece.match for piece in split(text[last:]))
    return messages if is_whole and not _MONSTER.search(plain) and _leads_somewhere(plain, messages) else None


def _emptied(match: re.Match[str]) -> str:
    """Return a text or a remark without its content, as many lines long as it was."""
    return '"' * 2 * match[0].startswith('"') + "\n" * match[0].count("\n")


def _is_signal(match: re.Match[str]) -> bool:
    """Tell whether mark, byte order and numbers of an ``SG_`` line are such as can be."""
    is_marked = match["mark"] is None or MARK.fullmatch(match["mark"]) is not None
    return is_marked and match["order"] in {"0", "1"} and max(int(match["start"]), int(match["length"])) < MOST_BITS


def _leads_somewhere(plain: str, messages: list[MessageEntry]) -> bool:
    """Tell whether every entry is about a message or a signal that is there, and says of it what can be."""
    lengths = {(str(message.number), ""): 0 for message in messages}
    lengths |= {(str(message.number), each.name): each.length for message in messages for each in message.signals}
    ranges = [pages for written in _PAGES.findall(plain) for pages in page_ranges(written)]
    return (
        lengths.keys() >= set(_REFERENCE.findall(plain))
        and all(0 <= high - low < WIDEST_RANGE for low, high in ranges)
        and all(
            kind == "0" or (kind in {"1", "2"} and lengths.get((number, name)) in FLOAT_LENGTHS)
            for number, name, kind in _FLOAT.findall(plain)
        )
        and set(_NUMBERLESS_TABLE.findall(plain)) <= set(_VARIABLE.findall(plain))
    )


def page_ranges(written: str) -> list[tuple[int, int]]:
    """Return the ranges of an ``SG_MUL_VAL_`` entry.

    Examples
    --------
    >>> page_ranges("3-3, 5 -9")
    [(3, 3), (5, 9)]
    """
    return [(int(low), int(high)) for low, high in _RANGE.findall(written)]
