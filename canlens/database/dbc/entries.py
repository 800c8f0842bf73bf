"""The entries of a DBC, one by one, so that a damaged one harms no other: their patterns, and where each ends."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from canlens.database.dbc.names import KEYWORDS, RESERVED

if TYPE_CHECKING:
    from collections.abc import Iterator

LINE_KINDS: Final = frozenset({"BO_", "SG_", "BU_", "BS_", "VERSION"})
"""Entries that end with their line; all others but ``NS_`` end with a semicolon."""
NUMBER: Final = r"[-+]?\d++(?:\.\d*+)?(?:[eE][-+]?\d++)?"
MARK: Final = re.compile(r"m\d+M?|M", re.ASCII)
STRING: Final = r'"(?:[^"\\]|\\"|\\)*+"'
NAME: Final = r"(?!(?:" + "|".join(sorted(RESERVED, key=len, reverse=True)) + r")\b)[A-Za-z_]\w*+"

_LOOSE = rf"(?:[^;\"]|{STRING})*;"
_VALUE = rf"(?P<value>{NUMBER}|{STRING})"
_PAIRS = rf"(?P<pairs>(?:\s*[-+]?\d+\s*{STRING})*)"
# Each is as strict as the parser: what fits one of them is never refused for its form. Possessive where it could
# backtrack, since a damaged file must not take long.
_PATTERNS: dict[str, str] = {
    "VERSION": rf"VERSION\s*{STRING}",
    "NS_": r"NS_[ \t]*:?[ \t\w]*(?:\n[ \t]*(?:\w+[ \t]*)?(?=\n|\Z))*",
    "BS_": r"BS_\s*:",
    "BU_": rf"BU_[ \t]*:(?P<names>(?:[ \t]*{NAME})*(?:\s*\n[ \t]*{NAME}(?:[ \t]+{NAME})*[ \t]*(?=\n|\Z))*)",
    "BO_": rf"BO_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s*:\s*(?P<length>0|[1-9]\d*)\s*(?P<sender>{NAME})",
    "SG_": (
        rf"SG_\s+(?P<name>{NAME})(?:\s+(?P<mark>m\d+M?|M))?\s*:\s*(?P<start>\d+)\s*\|\s*(?P<length>\d+)\s*@\s*"
        rf"(?P<order>[01])\s*(?P<sign>[-+])\s*\(\s*(?P<scale>{NUMBER})\s*,\s*(?P<offset>{NUMBER})\s*\)\s*"
        rf"\[\s*(?P<minimum>{NUMBER})\s*\|\s*(?P<maximum>{NUMBER})\s*\]\s*(?P<unit>{STRING})\s*"
        rf"(?P<receivers>{NAME}(?:\s*,\s*{NAME})*)"
    ),
    "VAL_": rf"VAL_\s+(?:(?P<number>\d+)\s+)?(?P<name>{NAME}){_PAIRS}\s*;",
    "VAL_TABLE_": rf"VAL_TABLE_\s+(?P<name>{NAME}){_PAIRS}\s*;",
    "CM_": (
        r"CM_\s*(?:SG_\s+\d+\s+[A-Za-z_]\w*+|BO_\s+\d+|EV_\s+[A-Za-z_]\w*+|BU_\s+[A-Za-z_]\w*+)?"
        rf"\s*{STRING}\s*;"
    ),
    "BA_DEF_": (
        rf"BA_DEF_\s*(?:SG_|BO_|EV_|BU_)?\s*(?P<attribute>{STRING})\s*(?P<type>[A-Z]+)\s*"
        rf"(?P<limits>{STRING}(?:\s*,\s*{STRING})*|(?:{NUMBER}(?![\w.])\s*)*)\s*;"
    ),
    "BA_DEF_DEF_": rf"BA_DEF_DEF_\s*(?P<attribute>{STRING})\s*{_VALUE}\s*;",
    "BA_": (
        rf"BA_\s*(?P<attribute>{STRING})\s*(?:BO_\s+(?P<number>\d+)|SG_\s+(?P<signal_number>\d+)\s+"
        rf"(?P<name>[A-Za-z_]\w*+)|BU_\s+(?P<node>[A-Za-z_]\w*+)|EV_\s+[A-Za-z_]\w*+)?\s*{_VALUE}\s*;"
    ),
    "SIG_GROUP_": r"SIG_GROUP_\s+\d+\s+\w+\s+\d+\s*:(?:\s*[A-Za-z_]\w*+)*\s*;",
    "SIG_VALTYPE_": rf"SIG_VALTYPE_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s*:\s*(?P<type>[0-3])\s*;",
    "SG_MUL_VAL_": (
        rf"SG_MUL_VAL_\s+(?P<number>\d+)\s+(?P<name>{NAME})\s+(?P<multiplexer>{NAME})\s+"
        r"(?P<ranges>\d+\s*-\d+(?:\s*,\s*\d+\s*-\d+)*)\s*;"
    ),
    "BO_TX_BU_": rf"BO_TX_BU_\s+(?P<number>\d+)\s*:\s*(?P<names>{NAME}(?:\s*,\s*{NAME})*)\s*;",
    "EV_": (
        rf"EV_\s+(?P<name>[A-Za-z_]\w*+)\s*:\s*\d+\s*\[\s*{NUMBER}\s*\|\s*{NUMBER}\s*\]\s*{STRING}\s*{NUMBER}\s+\d+"
        r"\s+\w+\s+\w+(?:\s*,\s*\w+)*\s*;"
    ),
    "ENVVAR_DATA_": r"ENVVAR_DATA_\s+\w+\s*:\s*\d+\s*;",
    "BA_DEF_REL_": rf"BA_DEF_REL_\s*(?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)\s*{STRING}\s*\w+{_LOOSE}",
    "BA_DEF_DEF_REL_": rf"BA_DEF_DEF_REL_\s*{STRING}\s*(?:{NUMBER}|{STRING})\s*;",
    "BA_REL_": rf"BA_REL_\s*{STRING}\s*(?:BU_SG_REL_|BU_BO_REL_|BU_EV_REL_)\s+\w+[^;\"]*(?:{STRING})?\s*;",
}
PATTERNS: Final = {kind: re.compile(pattern, re.ASCII) for kind, pattern in _PATTERNS.items()}
"""Kind -> how an entry of it is written."""
LOOSE: Final = re.compile(rf"[A-Z_]+\b{_LOOSE}", re.ASCII)
"""An entry of a kind that the parser does not know."""
SHAPES: Final = {
    "BO_": "BO_ NUMBER NAME: LENGTH SENDER",
    "SG_": 'SG_ NAME : START|LENGTH@ORDER SIGN (FACTOR,OFFSET) [MIN|MAX] "UNIT" RECEIVER',
    "BU_": "BU_: NAME NAME ...",
    "BS_": "BS_: without numbers",
    "VERSION": 'VERSION "TEXT"',
    "NS_": "NS_ : and a list of words",
    "VAL_": 'VAL_ NUMBER SIGNAL VALUE "TEXT" ... ;',
    "VAL_TABLE_": 'VAL_TABLE_ NAME VALUE "TEXT" ... ;',
    "CM_": 'CM_, what it is about (BO_ NUMBER, SG_ NUMBER SIGNAL, BU_ NODE), "TEXT" ;',
    "BA_DEF_": 'BA_DEF_ OBJECT "ATTRIBUTE" TYPE LIMITS ;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "ATTRIBUTE" VALUE ;',
    "BA_": 'BA_ "ATTRIBUTE" OBJECT VALUE ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ NUMBER SIGNAL : TYPE ;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ NUMBER SIGNAL MULTIPLEXER FIRST-LAST, ... ;",
    "BO_TX_BU_": "BO_TX_BU_ NUMBER : NODE, NODE ;",
    "SIG_GROUP_": "SIG_GROUP_ NUMBER NAME REPETITIONS : SIGNAL SIGNAL ... ;",
    "EV_": 'EV_ NAME: TYPE [MIN|MAX] "UNIT" INITIAL ID ACCESS NODE ;',
}
"""Kind -> its form in words, for a person who mends a line."""

_WORD = "|".join(sorted(KEYWORDS, key=len, reverse=True))
_KEYWORD = re.compile(rf"({_WORD})(?!\w)", re.ASCII)
LINE_START: Final = re.compile(rf"^[ \t]*(?:{_WORD})(?!\w)", re.MULTILINE | re.ASCII)
"""Where a line begins with a keyword."""
_BLANK = re.compile(r"(?:\s++|//[^\n]*+)*+")
_GOOD_END = re.compile(rf"[ \t]*+(?://|\n|\Z|(?:{_WORD})(?!\w))", re.ASCII)
_LAST_SEMICOLON = re.compile(r";(?=[ \t]*(?:\n|\Z))")


@dataclass(frozen=True)
class Piece:
    """One entry, or what should be one.

    Attributes
    ----------
    kind
        The keyword it begins with; empty for text that begins with none.
    line
        Line of the file on which it begins, 1-based.
    match
        Its parts; None where it is not written as it should be, or of a kind that the parser does not know.
    """

    kind: str
    line: int
    text: str
    match: re.Match[str] | None


def split(text: str) -> Iterator[Piece]:
    r"""Split a DBC into its entries, in file order.

    Parameters
    ----------
    text
        As decoded, lines ended by ``\n``.

    Yields
    ------
    Piece
        Every entry, and everything that is none; nothing is lost but white space and remarks.
    """
    line, counted = 1, 0
    at = _end(_BLANK, text, 0)
    while at < len(text):
        line += text.count("\n", counted, at)
        counted = at
        keyword = _KEYWORD.match(text, at)
        kind = keyword[0] if keyword else ""
        match = PATTERNS[kind].match(text, at) if kind in PATTERNS else None
        if match and not _GOOD_END.match(text, match.end()):
            match = None
        end = match.end() if match else _end_of_damaged(text, at, kind)
        yield Piece(kind, line, text[at:end].rstrip(), match)
        at = _end(_BLANK, text, end)


def shape(kind: str) -> str:
    """Return the form of an entry in words; that of any entry where the kind is not known."""
    return SHAPES.get(kind, f"{kind} ... ;" if kind else "an entry such as BO_, SG_, CM_ or VAL_")


def _end_of_damaged(text: str, at: int, kind: str) -> int:
    """Return where a damaged entry ends.

    With its line, or with the last semicolon that ends a line before the next line with a keyword.
    """
    if not kind or kind in LINE_KINDS:
        end = text.find("\n", at)
        return len(text) if end < 0 else end
    following = LINE_START.search(text, at + 1)
    limit = following.start() if following else len(text)
    ends = [match.end() for match in _LAST_SEMICOLON.finditer(text, at, limit)]
    return ends[-1] if ends else limit


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    match = pattern.match(text, at)
    return match.end() if match else at
