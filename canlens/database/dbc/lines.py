"""Damaged ``BO_`` and ``SG_`` lines, mended as far as what was meant can be told."""

from __future__ import annotations

import re

from canlens.database.dbc.grammar import STRING
from canlens.database.dbc.names import EXPECTED_NAME, legal_name
from canlens.database.dbc.numbers import mended_number, mended_pair, mended_whole

NO_NODE = "Vector__XXX"
"""What a DBC writes in the place of a node where there is none (open description of the format)."""
EXPECTED_LENGTH = "a payload length"

_WHOLE = r"[-+]?(?:0[xX][0-9a-fA-F]+|\d+(?:\.0*)?)"
_LAYOUT = re.compile(rf"({_WHOLE})\s*([|!/\\])\s*({_WHOLE})\s*@\s*([01])\s*([-+]?)", re.ASCII)
_SCALING = re.compile(r"\s*([({\[]?)\s*([-+.,;\deE \t]+?)\s*([)}\]])", re.ASCII)
_LIMITS = re.compile(r"\s*([\[({]?)\s*([-+.,\deE \t]+?)\s*\|\s*([-+.,\deE \t]+?)\s*([\])}])", re.ASCII)
_MARK = re.compile(r"m\d+M?|M", re.ASCII)
_NODES = re.compile(r"[A-Za-z_]\w*(?:\s*,\s*[A-Za-z_]\w*)*", re.ASCII)
_MESSAGE = re.compile(rf"(?P<number>{_WHOLE})[ \t:,]+(?P<name>[^\s:](?:[^:]*[^\s:])?)\s*:(?P<rest>.*)", re.ASCII)
_NO_COLON = re.compile(rf"(?P<number>{_WHOLE})\s+(?P<name>\w*[A-Za-z_]\w*)[\s;,.]+(?P<rest>\d+(?:\s+\S+)?)$", re.ASCII)


def looks_like_signal(text: str) -> bool:
    """Tell whether a line holds what only an ``SG_`` line holds: start bit, length and byte order."""
    return _LAYOUT.search(text) is not None


def looks_like_message(text: str) -> bool:
    """Tell whether what follows a keyword may be that of a ``BO_`` line: number, name, colon and length."""
    found = _MESSAGE.match(text)
    return found is not None and re.match(r"\s*\d+\s+\w+\s*$", found["rest"]) is not None


def mended_signal(text: str, expected: list[str]) -> str | None:
    """Return a well written ``SG_`` line; None where layout, name or scaling cannot be told.

    Parameters
    ----------
    text
        The line from its keyword on.
    expected
        Takes what was expected and not met.
    """
    layout = _LAYOUT.search(text)
    scaling = _SCALING.match(text, layout.end()) if layout else None
    if layout is None or scaling is None:
        return None
    head = _head(text[len("SG_") : layout.start()], expected)
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
    layout_text = f"{start}|{length}@{layout[4]}{layout[5] or '+'}"
    return f"SG_ {head} : {layout_text} ({pair[0]},{pair[1]}) [{limits}] {_unit(rest, expected)} {NO_NODE}"


def _head(head: str, expected: list[str]) -> str:
    """Return name and multiplexer mark; empty where there is no name."""
    if ":" not in head:
        expected.append("a colon before the start bit")
    words = head.replace(":", " ").split()
    mark = ""
    if len(words) > 1 and _MARK.fullmatch(words[-1]):
        mark = f" {words.pop()}"
    elif len(words) > 1 and words[-1] == "m":
        words.pop()
        expected.append("a multiplexer mark such as m0, or none")
    written = " ".join(words)
    name = legal_name(written)
    if name != written:
        expected.append(EXPECTED_NAME)
    return f"{name}{mark}" if name else ""


def _limits(rest: str, expected: list[str]) -> tuple[str, str]:
    """Return the declared range, 0|0 (none) where it cannot be read, and what follows it."""
    found = _LIMITS.match(rest)
    if found:
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
    found = re.match(rf"\s*({STRING})\s*", rest)
    if found:
        if not _NODES.fullmatch(rest[found.end() :].rstrip(" \t\r\n,;")):
            expected.append("names of nodes behind the unit, with commas between them")
        elif rest.rstrip().endswith((",", ";")):
            expected.append("the end of the line behind the last node")
        return found[1]
    expected.append("a unit in quotation marks, with the names of nodes behind it")
    words = rest.replace('"', " ").split()
    return f'"{words[0]}"' if len(words) > 1 else '""'


def mended_message(text: str, expected: list[str]) -> str | None:
    """Return a well written ``BO_`` line; None where number or name cannot be told.

    A payload length that cannot be read is given as 0, and :data:`EXPECTED_LENGTH` is added to ``expected``.
    """
    text = text[len("BO_") :].strip()
    found = _MESSAGE.match(text)
    if found is None:
        found = _NO_COLON.match(text)
        expected.append("a colon behind the name")
    number = mended_whole(found["number"], expected) if found else None
    if found is None or number is None:
        return None
    if number < 0:
        expected.append("a number without a sign")
        number += 1 << 32
        if number < 0:
            return None
    name = legal_name(found["name"])
    if name != found["name"]:
        expected.append(EXPECTED_NAME)
    words = re.sub(r"^(\d+)(?=[A-Za-z_])", r"\1 ", found["rest"].strip()).split()
    length = mended_whole(words[0], expected) if words else None
    if length is None or length < 0:
        expected.append(EXPECTED_LENGTH)
        length = 0
    sender = legal_name(words[1]) if len(words) > 1 else ""
    if words[1:] != [sender]:
        expected.append("the name of the one node that sends it")
    return f"BO_ {number} {name}: {length} {sender or NO_NODE}" if name else None
