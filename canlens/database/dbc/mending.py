"""One damaged entry of a DBC → the entry that was most likely meant, with what had to be mended; or nothing."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import product
from typing import TYPE_CHECKING, Final, TypeAlias

from canlens.database.dbc.entries import LINE_KINDS, MARK, NUMBER, PATTERNS, STRING
from canlens.database.dbc.names import EXPECTED_NAME, KEYWORDS, NO_NODE, legal_name

if TYPE_CHECKING:
    from canlens.database.dbc.entries import Piece

Repair: TypeAlias = Callable[[str, list[str]], str | None]

EXPECTED_LENGTH: Final = "a payload length"
DECIMAL_POINT: Final = "a point as the decimal sign"
LONGEST_LINE, LONGEST_ENTRY = 1_000, 50_000
"""Damaged texts longer than this are not mended [characters]: nobody wrote them by hand (our choice)."""
LONGEST_WORD: Final = 20
NEAR: Final = 0.6
"""How alike a damaged keyword or name must be to the one that was meant (our choice, that of difflib)."""
_MOST_DIGITS = 300
_LONG_BLANK = re.compile(r"[ \t]{9,}")
_LONG_WORD = re.compile(r"[-+.,\w]{300}")
_SIGNS = str.maketrans({**dict.fromkeys("“”„‟″", '"'), **dict.fromkeys("–−‒", "-"), "；": ";", "：": ":", "，": ","})
_ODD_BLANKS = re.compile(r"[\x00\f\v\x85\xa0\u200b-\u200f\u2000-\u200a\u2028\u2029\u202f\u205f\u3000\ufeff]")
_KEYWORD = re.compile(rf"(?<!\w)({'|'.join(sorted(KEYWORDS, key=len, reverse=True))})(?!\w)", re.ASCII)
_NUMBER = re.compile(NUMBER, re.ASCII)
_WHOLE = r"[-+]?(?:0[xX][0-9a-fA-F]+|\d+(?:\.0*)?)"
_LAYOUT = re.compile(rf"({_WHOLE})\s*([|!/\\])\s*({_WHOLE})\s*@\s*([01])\s*([-+]?)", re.ASCII)
_SCALING = re.compile(r"\s*([({\[]?)\s*([-+.,;\deE \t]+?)\s*([)}\]])", re.ASCII)
_LIMITS = re.compile(r"\s*([\[({]?)\s*([-+.,\deE \t]+?)\s*\|\s*([-+.,\deE \t]+?)\s*([\])}])", re.ASCII)
_NODES = re.compile(r"[A-Za-z_]\w*(?:\s*,\s*[A-Za-z_]\w*)*", re.ASCII)
_MESSAGE = re.compile(rf"(?P<number>{_WHOLE})[ \t:,]+(?P<name>[^\s:](?:[^:]*[^\s:])?)\s*:(?P<rest>.*)", re.ASCII)
_NO_COLON = re.compile(rf"(?P<number>{_WHOLE})\s+(?P<name>\w*[A-Za-z_]\w*)[\s;,.]+(?P<rest>\d+(?:\s+\S+)?)$", re.ASCII)
_PAIR = re.compile(rf"([-+]?(?:0[xX][0-9a-fA-F]++|\d++(?:\.\d*+)?))\s*[,:=]?\s*({STRING})", re.ASCII)
_ABOUT = re.compile(r"(SIG_VALTYPE_|SG_MUL_VAL_)\s+(\d+)[\s:]+(\S+?)(?=[\s:=])(.*)", re.ASCII | re.DOTALL)


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
    text = _LONG_BLANK.sub(" ", piece.text)
    is_line = not piece.kind or piece.kind in LINE_KINDS
    if len(text) > (LONGEST_LINE if is_line else LONGEST_ENTRY) or _LONG_WORD.search(text):
        return None
    kind, text = _with_keyword(piece.kind, _plain(text, expected), expected)
    if kind not in PATTERNS:
        return None
    own = _REPAIRS.get(kind, _nothing)
    closing = (False,) if kind in LINE_KINDS else (False, True)
    for repair, close in (*product((_nothing, own), closing), (_shortened(kind), False)):
        notes = list(expected)
        result = repair(_closed(text, notes) if close else text, notes)
        match = PATTERNS[kind].fullmatch(result) if result is not None else None
        if result is not None and match:
            return Mended(kind, result, match, tuple(dict.fromkeys(notes)))
    return None


def _plain(text: str, expected: list[str]) -> str:
    """Replace what editors and web pages make of plain signs."""
    plain = html.unescape(text)
    if plain != text:
        expected.append("plain text without the signs of a web page")
    signs = _ODD_BLANKS.sub(" ", plain.translate(_SIGNS))
    if signs != plain:
        expected.append("plain blanks, quotation marks and minus signs")
    return signs.strip()


def _with_keyword(kind: str, text: str, expected: list[str]) -> tuple[str, str]:
    """Return the kind, and the text from its keyword on; tell the kind by its parts where the keyword is damaged."""
    if kind:
        return kind, text
    if found := _KEYWORD.search(text):
        expected.append(f"{found[1]} at the begin of the line")
        return found[1], text[found.start() :]
    first, _, rest = text.partition(" ")
    for near in get_close_matches(first[:LONGEST_WORD], KEYWORDS, n=4, cutoff=NEAR):
        if near in PATTERNS and PATTERNS[near].fullmatch(f"{near} {rest}"):
            expected.append(f"the keyword {near}")
            return near, f"{near} {rest}"
    if _LAYOUT.search(text):  # only SG_ lines hold start bit, length and byte order
        expected.append("the keyword SG_")
        return "SG_", f"SG_ {_without_remains('SG_', text)}"
    rest = _without_remains("BO_", text)
    message = _MESSAGE.match(rest)
    if message and re.match(r"\s*\d+\s+\w+\s*$", message["rest"]):
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


def _nothing(text: str, expected: list[str]) -> str:
    """Take what the plain signs gave."""
    del expected
    return text


def _closed(text: str, expected: list[str]) -> str:
    """Close a text and the entry."""
    if text.count('"') % 2:
        expected.append("a closing quotation mark")
        text = f'{text.rstrip("; ")}"'
    if not text.endswith(";"):
        expected.append("a semicolon at the end")
        text += ";"
    return text


def _shortened(kind: str) -> Repair:
    """Return a repair that drops what stands behind a well written entry."""

    def shortened(text: str, expected: list[str]) -> str | None:
        match = PATTERNS[kind].match(text)
        expected.append("nothing more on the line")
        return match[0] if match else None

    return shortened


def _signal(text: str, expected: list[str]) -> str | None:
    """Return a well written ``SG_`` line; None where layout, name or scaling cannot be told."""
    layout = _LAYOUT.search(text)
    scaling = _SCALING.match(text, layout.end()) if layout else None
    if layout is None or scaling is None:
        return None
    head = _signal_head(text[len("SG_") : layout.start()], expected)
    start, length = mended_whole(layout[1], expected), mended_whole(layout[3], expected)
    pair = mended_pair(scaling[2], expected)
    if not head or start is None or length is None or pair is None:
        return None
    if layout[2] != "|":
        expected.append("a bar between start bit and length")
    if not layout[5]:
        expected.append("the sign + or - behind the byte order")
    if (scaling[1], scaling[3]) != ("(", ")"):
        expected.append("factor and offset in parentheses")
    limits, rest = _limits(text[scaling.end() :], expected)
    place = f"{start}|{length}@{layout[4]}{layout[5] or '+'}"
    return f"SG_ {head} : {place} ({pair[0]},{pair[1]}) [{limits}] {_unit(rest, expected)} {NO_NODE}"


def _signal_head(head: str, expected: list[str]) -> str:
    """Return name and multiplexer mark; empty where there is no name."""
    if ":" not in head:
        expected.append("a colon before the start bit")
    words = head.replace(":", " ").split()
    mark = ""
    if len(words) > 1 and MARK.fullmatch(words[-1]):
        mark = f" {words.pop()}"
    elif len(words) > 1 and words[-1] == "m":
        words.pop()
        expected.append("a multiplexer mark such as m0, or none")
    name = _name(" ".join(words), expected)
    return f"{name}{mark}" if name else ""


def _limits(rest: str, expected: list[str]) -> tuple[str, str]:
    """Return the declared range, 0|0 (none) where it cannot be read, and what follows it."""
    if found := _LIMITS.match(rest):
        numbers = [mended_number(found[part], expected) for part in (2, 3)]
        if None not in numbers:
            if (found[1], found[4]) != ("[", "]"):
                expected.append("least and greatest value in brackets")
            return f"{numbers[0]}|{numbers[1]}", rest[found.end() :]
    expected.append("least and greatest value as [MIN|MAX]")
    quote = rest.find('"')
    return "0|0", rest[quote:] if quote >= 0 else ""


def _unit(rest: str, expected: list[str]) -> str:
    """Return the unit, an empty one where it cannot be read; the receivers are not used."""
    if found := re.match(rf"\s*({STRING})\s*", rest):
        if not _NODES.fullmatch(rest[found.end() :].rstrip(" \t\n,;")):
            expected.append("names of nodes behind the unit, with commas between them")
        elif rest.rstrip().endswith((",", ";")):
            expected.append("the end of the line behind the last node")
        return found[1]
    expected.append("a unit in quotation marks, with the names of nodes behind it")
    words = rest.replace('"', " ").split()
    return f'"{words[0]}"' if len(words) > 1 else '""'


def _message(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BO_`` line; None where number or name cannot be told.

    A payload length that cannot be read is given as 0, and :data:`EXPECTED_LENGTH` is added to ``expected``.
    """
    text = text[len("BO_") :].strip()
    found = _MESSAGE.match(text)
    if found is None:
        found = _NO_COLON.match(text)
        expected.append("a colon behind the name")
    number = mended_whole(found["number"], expected) if found else None
    if found is None or number is None or number < -(1 << 32):
        return None
    if number < 0:
        expected.append("a number without a sign")
        number += 1 << 32
    name = _name(found["name"], expected)
    words = re.sub(r"^(\d+)(?=[A-Za-z_])", r"\1 ", found["rest"].strip()).split()
    length = mended_whole(words[0], expected) if words else None
    if length is None or length < 0:
        expected.append(EXPECTED_LENGTH)
        length = 0
    sender = legal_name(words[1]) if len(words) > 1 else ""
    if words[1:] != [sender]:
        expected.append("the name of the one node that sends it")
    return f"BO_ {number} {name}: {length} {sender or NO_NODE}" if name else None


def _table(text: str, expected: list[str]) -> str | None:
    """Return a well written value table with those of its pairs that can be read."""
    quote = text.find('"')
    head = text[:quote].split()
    if quote < 0 or text.count('"') % 2 or len(head) < 3:  # noqa: PLR2004 – keyword, name and the first value
        return None
    keyword, *words, first = head
    number = f"{words.pop(0)} " if len(words) > 1 and words[0].isdecimal() else ""
    pairs = f"{first} {text[quote:].rstrip().removesuffix(';')}"
    read = [(mended_whole(value, expected), entry) for value, entry in _PAIR.findall(pairs)]
    kept = [f"{value} {entry}" for value, entry in read if value is not None]
    if _PAIR.sub("", pairs).strip():
        expected.append("pairs of a value and a text in quotation marks")
    name = _name(" ".join(words), expected)
    return f"{keyword} {number}{name} {' '.join(kept)} ;" if name and kept else None


def _about_signal(text: str, expected: list[str]) -> str | None:
    """Return a well written ``SIG_VALTYPE_`` or ``SG_MUL_VAL_`` entry; a single page stands for a range of one."""
    found = _ABOUT.fullmatch(text)
    if found is None:
        return None
    name, rest = _name(found[3], expected), found[4]
    if found[1] == "SIG_VALTYPE_":
        rest = re.sub(r"\s*[:=]?\s*([0-3])\s*;", r" : \1;", rest)
        if ":" not in text:
            expected.append("a colon behind the signal")
    else:
        rest = re.sub(r"(?<=[\s,])(\d+)(?=\s*[,;])", r"\1-\1", rest)
        expected.append("ranges of values such as 3-3")
    return f"{found[1]} {found[2]} {name}{rest}"


def _senders(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BO_TX_BU_`` entry."""
    expected.append("names of nodes behind a colon, with commas between them")
    found = re.fullmatch(r"BO_TX_BU_\s+(\d+)\s*:?\s*([^:;]*);", text, re.ASCII)
    names = [legal_name(word) for word in re.split(r"[\s,]+", found[2].strip())] if found else []
    return f"BO_TX_BU_ {found[1]} : {', '.join(names)};" if found and all(names) else None


def _nodes(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BU_`` entry."""
    expected.append("names with blanks between them behind BU_:")
    found = re.fullmatch(r"BU_\s*:?([^:]*)", text)
    names = [legal_name(word) for word in re.split(r"[\s,;]+", found[1]) if word] if found else []
    return f"BU_: {' '.join(name for name in names if name)}" if found else None


def _bit_rate(text: str, expected: list[str]) -> str | None:
    """Return a ``BS_`` entry without its numbers, which the parser does not know."""
    expected.append("BS_: without numbers (a bit rate is given by the plan or measured)")
    return "BS_:" if re.fullmatch(r"BS_\s*:?[\s\d.,:;]*", text, re.ASCII) else None


_REPAIRS: Final[dict[str, Repair]] = {
    "BO_": _message,
    "SG_": _signal,
    "VAL_": _table,
    "VAL_TABLE_": _table,
    "SIG_VALTYPE_": _about_signal,
    "SG_MUL_VAL_": _about_signal,
    "BO_TX_BU_": _senders,
    "BU_": _nodes,
    "BS_": _bit_rate,
}


def _name(written: str, expected: list[str]) -> str:
    name = legal_name(written)
    if name != written.strip():
        expected.append(EXPECTED_NAME)
    return name


def mended_number(written: str, expected: list[str]) -> str | None:
    """Return a number as the parser reads it; None where none can be read.

    Parameters
    ----------
    written
        As it stands in the file.
    expected
        Takes what was expected and not met.

    Examples
    --------
    >>> mended_number(".25", []), mended_number("- 0,5", []), mended_number("1.2.3", [])
    ('0.25', '-0.5', None)
    """
    number = re.sub(r"^([-+])\s+", r"\1", written.strip())
    if number != written.strip():
        expected.append("no blank behind the sign")
    if number.count(",") == 1 and "." not in number:
        number = number.replace(",", ".")
        expected.append(DECIMAL_POINT)
    if re.match(r"[-+]?\.\d", number):
        number = number.replace(".", "0.", 1)
        expected.append("a digit on both sides of the decimal point")
    return number if _NUMBER.fullmatch(number) and len(number) < _MOST_DIGITS else None


def mended_whole(written: str, expected: list[str]) -> int | None:
    """Return a whole number; None where none can be read.

    Examples
    --------
    >>> mended_whole("8.0", []), mended_whole("0x10", []), mended_whole("2.5", []), mended_whole("007", [])
    (8, 16, None, 7)
    """
    if re.fullmatch(r"[-+]?\d{1,20}", written, re.ASCII):
        return int(written)
    if re.fullmatch(r"[-+]?\d{1,20}\.0*", written, re.ASCII):
        expected.append("a whole number")
        return int(written.partition(".")[0])
    if re.fullmatch(r"[-+]?0[xX][0-9a-fA-F]{1,16}", written):
        expected.append("a decimal number")
        return int(written, 16)
    return None


def mended_pair(written: str, expected: list[str]) -> tuple[str, str] | None:
    """Return factor and offset; None where they cannot be told apart.

    With decimal commas there are more commas than one; three parts are read so that the factor is not 0.

    Examples
    --------
    >>> mended_pair("0,25,0", []), mended_pair("0,5,-1,5", []), mended_pair("0.5;10", []), mended_pair("2", [])
    (('0.25', '0'), ('0.5', '-1.5'), ('0.5', '10'), ('2', '0'))
    """
    notes: list[str] = []
    parts = [part.strip() for part in written.split(";" if ";" in written else ",")]
    if ";" in written:
        notes.append("a comma between factor and offset")
    match parts:
        case [scale]:
            offset = "0"
            notes.append("factor and offset")
        case [scale, offset]:
            pass
        case [("0" | "-0") as whole, decimals, offset]:
            scale = f"{whole}.{decimals}"
            notes.append(DECIMAL_POINT)
        case [whole, decimals, other_whole, other_decimals]:
            scale, offset = f"{whole}.{decimals}", f"{other_whole}.{other_decimals}"
            notes.append(DECIMAL_POINT)
        case _:
            return None
    pair = mended_number(scale, notes), mended_number(offset, notes)
    expected += notes
    return None if pair[0] is None or pair[1] is None else (pair[0], pair[1])
