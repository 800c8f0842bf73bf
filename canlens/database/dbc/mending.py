"""One damaged entry of a DBC → the entry that was most likely meant, with what had to be mended; or nothing."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, TypeAlias

from canlens.database.dbc.grammar import KEYWORDS, LINE_KINDS, PATTERNS
from canlens.database.dbc.lines import looks_like_message, looks_like_signal, mended_message, mended_signal
from canlens.database.dbc.statements import (
    mended_attribute,
    mended_bit_rate,
    mended_float_type,
    mended_nodes,
    mended_pages,
    mended_senders,
    mended_table,
)

if TYPE_CHECKING:
    from canlens.database.dbc.entries import Piece

Repair: TypeAlias = Callable[[str, list[str]], str | None]

_SIGNS = str.maketrans({**dict.fromkeys("“”„‟″", '"'), **dict.fromkeys("–−‒", "-"), "；": ";", "：": ":", "，": ","})
_ODD_BLANKS = re.compile(r"[\x00\f\v\x85\xa0\u200b-\u200f\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff]")
_TAGS = re.compile(r"</?[A-Za-z][^<>]*>")
_KEYWORD = re.compile(rf"(?<!\w)({'|'.join(sorted(KEYWORDS, key=len, reverse=True))})(?!\w)", re.ASCII)
_REPAIRS: dict[str, Repair] = {
    "BO_": mended_message,
    "SG_": mended_signal,
    "VAL_": mended_table,
    "VAL_TABLE_": mended_table,
    "SIG_VALTYPE_": mended_float_type,
    "SG_MUL_VAL_": mended_pages,
    "BO_TX_BU_": mended_senders,
    "BU_": mended_nodes,
    "BS_": mended_bit_rate,
    "BA_": mended_attribute,
    "BA_DEF_DEF_": mended_attribute,
}


_LONG_BLANK = re.compile(r"[ \t]{9,}")
_LONG_WORD = re.compile(r"[-+.,\w]{300}")
LONGEST_LINE, LONGEST_ENTRY = 1_000, 50_000
"""Damaged texts longer than this are not mended [characters]: nobody wrote them by hand (our choice)."""
LONGEST_WORD = 20
NEAR = 0.6
"""How alike a damaged keyword must be to the one that was meant (our choice; the rest of the entry must fit, too)."""


@dataclass(frozen=True)
class Mended:
    """An entry as it was probably meant, and what was expected where it was not met."""

    kind: str
    text: str
    match: re.Match[str]
    expected: tuple[str, ...]


def mend(piece: Piece) -> Mended | None:
    """Mend a damaged entry.

    Parameters
    ----------
    piece
        As :func:`canlens.database.dbc.entries.split` gave it.

    Returns
    -------
    Mended or None
        None where what was meant cannot be told.
    """
    expected: list[str] = []
    written = _LONG_BLANK.sub(" ", piece.text)
    longest = LONGEST_LINE if piece.kind in LINE_KINDS or not piece.kind else LONGEST_ENTRY
    if len(written) > longest or _LONG_WORD.search(written):
        return None
    text = _plain(written, expected)
    kind, text = _keyword(piece.kind, text, expected)
    if kind not in PATTERNS:
        return None
    own = _REPAIRS.get(kind, _nothing)
    repairs = [_nothing, own] if kind in LINE_KINDS else [_nothing, _close, own, _close_and(own)]
    for repair in (*repairs, _shorten(kind)):
        tried = list(expected)
        result = repair(text, tried)
        match = PATTERNS[kind].fullmatch(result) if result is not None else None
        if result is not None and match:
            return Mended(kind, result, match, tuple(dict.fromkeys(tried)))
    return None


def _plain(text: str, expected: list[str]) -> str:
    """Replace what editors and web pages make of plain signs."""
    plain = html.unescape(_TAGS.sub(" ", text))
    if plain != text:
        expected.append("plain text without the signs of a web page")
    signs = _ODD_BLANKS.sub(" ", plain.translate(_SIGNS))
    if signs != plain:
        expected.append("plain blanks, quotation marks and minus signs")
    return signs.strip()


def _keyword(kind: str, text: str, expected: list[str]) -> tuple[str, str]:
    """Return the kind, and the text from its keyword on; find the kind where the keyword is damaged."""
    if kind:
        return kind, text
    found = _KEYWORD.search(text)
    if found:
        expected.append(f"{found[1]} at the begin of the line")
        return found[1], text[found.start() :]
    first, _, rest = text.partition(" ")
    for near in get_close_matches(first[:LONGEST_WORD], KEYWORDS, n=4, cutoff=NEAR):
        if near in PATTERNS and PATTERNS[near].fullmatch(f"{near} {rest}"):
            expected.append(f"the keyword {near}")
            return near, f"{near} {rest}"
    if looks_like_signal(text):
        expected.append("the keyword SG_")
        return "SG_", f"SG_ {_without_remains('SG_', text)}"
    rest = _without_remains("BO_", text)
    if looks_like_message(rest):
        expected.append("the keyword BO_")
        return "BO_", f"BO_ {rest}"
    return "", text


def _without_remains(keyword: str, text: str) -> str:
    """Cut off what is left of a keyword in front of a line."""
    head, _, rest = text.partition(" ")
    if len(head) <= len(keyword) + 1 and rest and not re.match(r"\s*:", rest) and not head.isdigit():
        return rest
    letters = "".join(f"{letter}?" for letter in keyword)
    return re.sub(rf"^{letters}(?=\w)", "", text, flags=re.IGNORECASE)


def _nothing(text: str, expected: list[str]) -> str | None:
    """Take what the plain signs gave."""
    del expected
    return text


def _close(text: str, expected: list[str]) -> str | None:
    """Close a text and the entry."""
    if text.count('"') % 2:
        expected.append("a closing quotation mark")
        text = f'{text.rstrip("; ")}"'
    if not text.endswith(";"):
        expected.append("a semicolon at the end")
        text += ";"
    return text


def _close_and(repair: Repair) -> Repair:
    """Return a repair that closes the entry first."""

    def both(text: str, expected: list[str]) -> str | None:
        closed = _close(text, expected)
        return repair(closed, expected) if closed is not None else None

    return both


def _shorten(kind: str) -> Repair:
    """Return a repair that drops what stands behind a well written entry."""

    def shorter(text: str, expected: list[str]) -> str | None:
        match = PATTERNS[kind].match(text)
        expected.append("nothing more on the line")
        return match[0] if match else None

    return shorter
