"""The attributes of a DBC that canlens uses: definitions, defaults and values, checked before the parser reads them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from canlens.database.dbc.grammar import NUMBER, STRING

USED: Final = {
    "GenMsgCycleTime": ('BA_DEF_ BO_ "GenMsgCycleTime" INT 0 3600000;',),
    "VFrameFormat": ('BA_DEF_ BO_ "VFrameFormat" INT 0 15;', 'BA_DEF_DEF_ "VFrameFormat" 0;'),
    "SystemMessageLongSymbol": ('BA_DEF_ BO_ "SystemMessageLongSymbol" STRING ;',),
    "SystemSignalLongSymbol": ('BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;',),
    "SystemNodeLongSymbol": ('BA_DEF_ BU_ "SystemNodeLongSymbol" STRING ;',),
}
"""Attribute -> its usual definition, for a file that uses it without one."""
FRAME_FORMATS: Final = 16
"""Values of VFrameFormat where it is defined as a number."""
MOST: Final = 1e15
"""No cycle time or frame format is a greater number."""
_NUMERIC: Final = frozenset({"INT", "HEX", "FLOAT"})
_TYPES: Final = frozenset((*_NUMERIC, "ENUM", "STRING"))
_NUMBER = re.compile(NUMBER, re.ASCII)
_STRING = re.compile(STRING)


@dataclass
class Definition:
    """A definition of an attribute, as the parser is given it."""

    texts: list[str]
    type: str
    choices: tuple[str, ...] = ()


@dataclass
class Attributes:
    """The definitions met so far; entries are taken in file order, definitions first."""

    known: dict[str, Definition] = field(default_factory=dict)
    named: set[str] = field(default_factory=set)

    def define(self, match: re.Match[str], text: str) -> str:
        """Take a ``BA_DEF_`` entry; return what was expected and not met, or nothing."""
        name, kind, limits = match["attribute"][1:-1], match["type"], match["limits"]
        self.named.add(name)
        if name not in USED:
            return ""
        numbers = _NUMBER.findall(limits) if kind in _NUMERIC else []
        if kind not in _TYPES or (kind == "ENUM" and '"' not in limits):
            return "one of the types INT, HEX, FLOAT, ENUM and STRING, an ENUM with its texts"
        if kind in _NUMERIC and (len(numbers) == 1 or '"' in limits or not all(map(_usable, numbers))):
            return "the least and the greatest value of a number"
        choices = tuple(entry[1:-1] for entry in _STRING.findall(limits)) if kind == "ENUM" else ()
        self.known[name] = Definition([text], kind, choices)
        if name == "VFrameFormat" and kind != "ENUM":
            self.known[name] = Definition(list(USED[name]), "INT")
        return ""

    def set_default(self, match: re.Match[str], text: str) -> str:
        """Take a ``BA_DEF_DEF_`` entry; return what was expected and not met, or nothing."""
        name, value = match["attribute"][1:-1], match["value"]
        if name not in USED or name not in self.known:
            return ""
        definition = self.known[name]
        if definition.type in _NUMERIC and not _usable(value.strip('"')):
            return "a number, since the attribute is defined as one"
        if name == "VFrameFormat" and definition.type == "INT" and not _is_format(value):
            return f"a number below {FRAME_FORMATS}"
        definition.texts.append(text)
        return ""

    def value(self, match: re.Match[str]) -> tuple[str, str]:
        """Return the value of a ``BA_`` entry as the parser is given it, and what was expected and not met.

        No value (an empty text) is returned where it cannot be used.
        """
        name, value = match["attribute"][1:-1], match["value"]
        note = ""
        if name not in self.known:
            self.known[name] = Definition(list(USED[name]), "INT" if "INT" in USED[name][0] else "STRING")
            note = f'a BA_DEF_ entry that defines "{name}"'
        definition = self.known[name]
        plain = value[1:-1] if value.startswith('"') else value
        if definition.type == "ENUM":
            if plain in definition.choices and not _usable(plain):
                return str(
                    definition.choices.index(plain)
                ), f"the number of the text, {definition.choices.index(plain)}"
            if not plain.isdecimal() or int(plain[:9]) >= len(definition.choices):
                return "", f"a number below {len(definition.choices)}, one for each text of the definition"
        elif definition.type in _NUMERIC and not _usable(plain):
            return "", "a number, since the attribute is defined as one"
        if name == "VFrameFormat" and definition.type == "INT" and not _is_format(plain):
            return "", f"a number below {FRAME_FORMATS}"
        return value, note

    def texts(self) -> list[str]:
        """Return definitions and defaults as the parser is given them."""
        return [text for definition in self.known.values() for text in definition.texts]


def _usable(number: str) -> bool:
    return _NUMBER.fullmatch(number) is not None and abs(float(number)) < MOST


def _is_format(value: str) -> bool:
    plain = value.strip('"')
    return plain.isdecimal() and int(plain[:9]) < FRAME_FORMATS
