"""Damaged entries that end with a semicolon, mended as far as what was meant can be told."""

from __future__ import annotations

import re

from canlens.database.dbc.grammar import STRING
from canlens.database.dbc.names import EXPECTED_NAME, legal_name
from canlens.database.dbc.numbers import mended_number, mended_whole

_VALUE = r"[-+]?(?:0[xX][0-9a-fA-F]++|\d++(?:\.\d*+)?)"
_PAIR = re.compile(rf"({_VALUE})\s*[,:=]?\s*({STRING})", re.ASCII)
_FLOAT = re.compile(r"SIG_VALTYPE_\s+(\d+)\s+(\S+?)\s*[:=]?\s*([0-3])\s*;", re.ASCII)
_PAGES = re.compile(r"SG_MUL_VAL_\s+(\d+)\s+(\S+)\s+(\S+)\s+([\d\s,-]+);", re.ASCII)
_SENDERS = re.compile(r"BO_TX_BU_\s+(\d+)\s*:?\s*([^:;]*);", re.ASCII)
_NODES = re.compile(r"BU_\s*:?([^:]*)", re.ASCII)
_BIT_RATE = re.compile(r"BS_\s*:?[\s\d.,:;]*", re.ASCII)
_ATTRIBUTE = re.compile(rf"(BA_|BA_DEF_DEF_)(\s*{STRING}.*?)\s*([-+.,\dxXa-fA-F]+)\s*;", re.DOTALL)


def mended_table(text: str, expected: list[str]) -> str | None:
    """Return a well written value table with those of its pairs that can be read."""
    quote = text.find('"')
    head = text[:quote].split()
    if quote < 0 or text.count('"') % 2 or len(head) < 3:  # noqa: PLR2004 – keyword, name and the first value
        return None
    keyword, *words, first = head
    number = f"{words.pop(0)} " if len(words) > 1 and words[0].isdecimal() else ""
    pairs = f"{first} {text[quote:].rstrip().removesuffix(';')}"
    kept: list[str] = []
    for value, entry in _PAIR.findall(pairs):
        whole = mended_whole(value, expected)
        if whole is not None:
            kept.append(f"{whole} {entry}")
    if _PAIR.sub("", pairs).strip():
        expected.append("pairs of a value and a text in quotation marks")
    name = _name(" ".join(words), expected)
    return f"{keyword} {number}{name} {' '.join(kept)} ;" if name and kept else None


def mended_float_type(text: str, expected: list[str]) -> str | None:
    """Return a well written ``SIG_VALTYPE_`` entry."""
    found = _FLOAT.match(text)
    if found is None:
        return None
    if ":" not in text:
        expected.append("a colon behind the signal")
    name = _name(found[2], expected)
    return f"SIG_VALTYPE_ {found[1]} {name} : {found[3]};" if name else None


def mended_pages(text: str, expected: list[str]) -> str | None:
    """Return a well written ``SG_MUL_VAL_`` entry; a single value stands for a range of one."""
    found = _PAGES.match(text)
    if found is None:
        return None
    ranges: list[str] = []
    for part in found[4].split(","):
        ends = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+))?\s*", part)
        if ends is None:
            return None
        ranges.append(f"{ends[1]}-{ends[2] or ends[1]}")
    expected.append("ranges of values such as 3-3")
    signal, multiplexer = _name(found[2], expected), _name(found[3], expected)
    return f"SG_MUL_VAL_ {found[1]} {signal} {multiplexer} {', '.join(ranges)};" if signal and multiplexer else None


def mended_senders(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BO_TX_BU_`` entry."""
    found = _SENDERS.match(text)
    names = [_name(word, expected) for word in re.split(r"[\s,]+", found[2].strip())] if found else []
    if found is None or not all(names):
        return None
    expected.append("names of nodes behind a colon, with commas between them")
    return f"BO_TX_BU_ {found[1]} : {', '.join(names)};"


def mended_nodes(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BU_`` entry."""
    found = _NODES.fullmatch(text.rstrip())
    if found is None:
        return None
    names = [_name(word, expected) for word in re.split(r"[\s,;]+", found[1].strip(" \t\r\n,;")) if word]
    if not text.startswith("BU_:"):
        expected.append("a colon behind BU_")
    if "," in text or ";" in text:
        expected.append("names with blanks between them")
    return f"BU_: {' '.join(name for name in names if name)}"


def mended_bit_rate(text: str, expected: list[str]) -> str | None:
    """Return a ``BS_`` entry without its numbers, which the parser does not know."""
    if not _BIT_RATE.fullmatch(text):
        return None
    expected.append("BS_: without numbers (a bit rate is given by the plan or measured)")
    return "BS_:"


def mended_attribute(text: str, expected: list[str]) -> str | None:
    """Return an attribute whose number is well written."""
    found = _ATTRIBUTE.fullmatch(text)
    number = mended_number(found[3], expected) if found else None
    return f"{found[1]}{found[2]} {number};" if found and number is not None else None


def _name(written: str, expected: list[str]) -> str:
    name = legal_name(written)
    if name != written.strip():
        expected.append(EXPECTED_NAME)
    return name
