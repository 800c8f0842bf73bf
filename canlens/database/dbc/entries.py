"""Text of a DBC → its entries with their lines, one by one, so that a damaged one harms no other."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.database.dbc.grammar import KEYWORDS, LINE_KINDS, LOOSE, PATTERNS, STRING

if TYPE_CHECKING:
    from collections.abc import Iterator

MOST_MERGED = 400
"""Lines with a keyword that one text may hold; a longer comment is taken for one that was never closed (our choice)."""
MOST_SPREAD = 3
"""Lines that begin with a keyword over which one entry outside of texts may be spread."""
MOST_ATTEMPTS = 6
"""How often a joined text is read before its first line is given up as damaged; each costs time (our choice)."""

_WORD = "|".join(sorted(KEYWORDS, key=len, reverse=True))
_START = re.compile(rf"^[ \t]*(?=(?:{_WORD})(?!\w))", re.MULTILINE | re.ASCII)
_KEYWORD = re.compile(rf"({_WORD})(?!\w)", re.ASCII)
_NEW_SYMBOLS = re.compile(r"^[ \t]*NS_[ \t]*:?[^\n]*(?:\n[ \t]*(?:\w+[ \t]*)?\r?(?=\n|\Z))*", re.MULTILINE | re.ASCII)
_TEXT_OR_REMARK = re.compile(rf'{STRING}|//[^\n]*|"')
_BLANK = re.compile(r"\s*")


@dataclass(frozen=True)
class Piece:
    """One entry, or what should be one.

    Attributes
    ----------
    kind
        The keyword it begins with; empty for text that begins with none.
    line
        Line of the file on which it begins, 1-based.
    text
        As written, without remarks.
    match
        Its parts; None where it is damaged, or of a kind of which nothing is used.
    is_sound
        Whether it is written as it should be.
    """

    kind: str
    line: int
    text: str
    match: re.Match[str] | None
    is_sound: bool


def split(text: str) -> Iterator[Piece]:
    """Split a DBC into its entries, in file order.

    Parameters
    ----------
    text
        As decoded.

    Yields
    ------
    Piece
        Every entry, and everything that is none; nothing is lost but white space and remarks.
    """
    line_ends = [match.start() for match in re.finditer("\n", text)]
    chunks = _chunks(text)
    at = 0
    while at < len(chunks):
        start, end = chunks[at]
        pieces = _read(text[start:end])
        taken = 1
        if not all(piece.is_sound for piece in pieces):
            merged = _merged(text, chunks, at)
            if merged:
                pieces, taken = merged
        for piece in pieces:
            line = bisect_right(line_ends, start + piece.line - 1) + 1
            yield Piece(piece.kind, line, piece.text, piece.match, piece.is_sound)
        at += taken


def _chunks(text: str) -> list[tuple[int, int]]:
    """Cut at every line that begins with a keyword; the list of new symbols stays whole."""
    starts: list[int] = []
    skip_to = -1
    for match in _START.finditer(text):
        if match.start() < skip_to:
            continue
        starts.append(match.start())
        if text.startswith("NS_", match.end()) and (block := _NEW_SYMBOLS.match(text, match.start())):
            skip_to = block.end()
    if not starts or starts[0]:
        starts.insert(0, 0)
    return list(zip(starts, [*starts[1:], len(text)], strict=True))


def _merged(text: str, chunks: list[tuple[int, int]], at: int) -> tuple[list[Piece], int] | None:
    """Join a chunk with those that follow, until all of it is well written; None if that never comes."""
    start, end = chunks[at]
    is_open = _is_open(text[start:end])
    attempts = 0
    for count in range(2, MOST_MERGED if is_open else MOST_SPREAD + 1):
        if at + count > len(chunks):
            return None
        first, end = chunks[at + count - 1]
        is_open ^= _is_open(text[first:end]) if not is_open else text.count('"', first, end) % 2 == 1
        if is_open:
            continue
        pieces = _read(text[start:end])
        if all(piece.is_sound for piece in pieces):
            return pieces, count
        attempts += 1
        if attempts == MOST_ATTEMPTS:
            return None
    return None


def _is_open(chunk: str) -> bool:
    """Tell whether a text is left open."""
    return chunk.count('"') % 2 == 1 and any(match[0] == '"' for match in _TEXT_OR_REMARK.finditer(chunk))


def _read(chunk: str) -> list[Piece]:
    """Read the entries of a chunk; ``line`` is here the place in the chunk."""
    if "//" in chunk:
        chunk = _TEXT_OR_REMARK.sub(_without_remark, chunk)
    pieces: list[Piece] = []
    at = _after_blank(chunk, 0)
    while at < len(chunk):
        keyword = _KEYWORD.match(chunk, at)
        kind = keyword[1] if keyword else ""
        known = PATTERNS.get(kind)
        match = known.match(chunk, at) if known else None
        loose = LOOSE.match(chunk, at) if kind and not known else None
        if match:
            end = match.end()
            if not _ends_well(chunk, end):
                end = _line_end(chunk, end)
                match = None
        else:
            end = loose.end() if loose else _end_of_damaged(chunk, at, kind)
        pieces.append(Piece(kind, at, chunk[at:end].rstrip(), match, match is not None))
        at = _after_blank(chunk, end)
    return pieces


def _ends_well(chunk: str, end: int) -> bool:
    """Tell whether only white space, another entry or another line follows."""
    rest = _after_blank(chunk, end)
    return rest == len(chunk) or "\n" in chunk[end:rest] or _KEYWORD.match(chunk, rest) is not None


def _end_of_damaged(chunk: str, at: int, kind: str) -> int:
    """Return where a damaged entry ends: with its line, or with the last semicolon that ends a line."""
    if not kind or kind in LINE_KINDS:
        return _line_end(chunk, at)
    ends = [match.end() for match in re.finditer(r";(?=[ \t\r]*(?:\n|\Z))", chunk[at:])]
    return at + ends[-1] if ends else len(chunk)


def _line_end(chunk: str, at: int) -> int:
    end = chunk.find("\n", at)
    return len(chunk) if end < 0 else end


def _after_blank(chunk: str, at: int) -> int:
    match = _BLANK.match(chunk, at)
    return match.end() if match else at


def _without_remark(match: re.Match[str]) -> str:
    return " " * len(match[0]) if match[0].startswith("//") else match[0]
