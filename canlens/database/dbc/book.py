"""All entries of a DBC, gathered: what the parser is given, and what is said of the rest."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from canlens.database.dbc.attributes import USED, Attributes
from canlens.database.dbc.entries import Piece, split
from canlens.database.dbc.grammar import LOOSE, PATTERNS
from canlens.database.dbc.lines import EXPECTED_LENGTH
from canlens.database.dbc.mending import mend
from canlens.database.dbc.messages import MOST_BITS, NO_MESSAGE, MessageEntry, numbered, unfit
from canlens.database.dbc.notes import Notes
from canlens.database.dbc.references import Directory

if TYPE_CHECKING:
    from collections.abc import Callable

HEADER = frozenset({"VERSION", "NS_", "BS_", "BU_"})
FLOAT_LENGTHS = frozenset({16, 32, 64})
MOST_DIGITS = 20
"""Digits that a value of a table may have: 64 bits need no more."""


class Book:
    """The entries of one DBC.

    Parameters
    ----------
    text
        As decoded.
    file
        Named in the problems.

    Attributes
    ----------
    messages
        In file order; those that are not used are among them.
    shared
        Entries that belong to no single message, as the parser is given them.
    notes
        What is said of entries that could not be used as they stand.
    sound
        How many entries were well written or mended.
    """

    def __init__(self, text: str, file: str) -> None:
        self.messages: list[MessageEntry] = []
        self.notes = Notes(file)
        self.sound = 0
        self._current: MessageEntry | None = None
        self._behind = False
        self._nodes: dict[str, None] = {}
        self._attributes = Attributes()
        self._variables: set[str] = set()
        self._later: list[Piece] = []
        kinds = self._gather(text)
        if self.sound and not kinds & HEADER:
            self.notes.header()
        self._directory = Directory(self.messages)
        self._take_all()
        self.shared = [f"BU_: {' '.join(self._nodes)}", "", *self._attributes.texts(), *self._node_texts]

    def _gather(self, text: str) -> set[str]:
        """Take messages, signals and nodes at once, and keep what refers to them for later."""
        self._node_texts: list[str] = []
        kinds: set[str] = set()
        for damaged in split(text):
            piece = damaged if damaged.is_sound else self._mended(damaged)
            if piece is None or piece.match is None:
                continue
            self.sound += 1
            kinds.add(piece.kind)
            if piece.kind == "BO_":
                self._take_message(piece, piece.match)
            elif piece.kind == "SG_":
                self._take_signal(piece, piece.match)
            else:
                self._behind = self._behind or piece.kind != "CM_"
                self._later.append(piece)
                if piece.kind == "BU_":
                    self._nodes |= dict.fromkeys(piece.match["names"].split())
        return kinds

    def _take_all(self) -> None:
        """Take the entries that refer to others, kind by kind, definitions in front of what they define."""
        order: dict[str, Callable[[Piece, re.Match[str]], None]] = {
            "EV_": self._take_variable,
            "BA_DEF_": self._take_definition,
            "BA_DEF_DEF_": self._take_default,
            "BO_TX_BU_": self._take_senders,
            "SIG_VALTYPE_": self._take_float,
            "SG_MUL_VAL_": self._take_pages,
            "VAL_": self._take_table,
            "BA_": self._take_attribute,
            "CM_": self._take_comment,
        }
        for kind, take in order.items():
            for piece in self._later:
                if piece.kind == kind and piece.match:
                    take(piece, piece.match)

    def _mended(self, piece: Piece) -> Piece | None:
        """Mend an entry and say so; say what is lost where that cannot be done."""
        if piece.kind and piece.kind not in PATTERNS and LOOSE.fullmatch(piece.text):
            self.notes.unused_kind(piece)
            return None
        found = mend(piece)
        if found is None:
            is_message = _may_be_message(piece)
            self.notes.dropped(piece, is_message=is_message, within=self._name_for(piece))
            if is_message:
                self._current = _lost(piece)
                self.messages.append(self._current)
            return None
        self.notes.mended(piece, found, within=self._name_for(piece))
        return Piece(found.kind, piece.line, found.text, found.match, is_sound=EXPECTED_LENGTH not in found.expected)

    def _name_for(self, piece: Piece) -> str:
        return self._current.name if self._current and piece.kind in {"SG_", ""} else ""

    def _take_message(self, piece: Piece, match: re.Match[str]) -> None:
        number = int(match["number"][:MOST_DIGITS])
        name, length = match["name"], int(match["length"][:MOST_DIGITS])
        known_length = length if piece.is_sound and length < MOST_BITS // 8 else None
        message = MessageEntry(number, number, name, piece.line, known_length, match["sender"])
        self._current, self._behind = message, False
        mended = numbered(number)
        if length >= MOST_BITS // 8:
            self.notes.too_long(piece, name)
        if name == NO_MESSAGE:
            message.is_used = False
        elif mended is None:
            message.is_used = False
            self.notes.no_identifier(piece, name, number)
        else:
            message.number = mended[0]
            if mended[1]:
                self.notes.no_flag(piece, name, number, mended[1])
        self.messages.append(message)

    def _take_signal(self, piece: Piece, match: re.Match[str]) -> None:
        message = self._current
        if message is None:
            self.notes.lost(piece, "a BO_ line in front of it, to which the signal belongs")
            return
        if self._behind:
            self.notes.behind(piece, message.name)
            self._behind = False
        expected = unfit(match)
        if expected:
            self.notes.lost(piece, expected, message=message.name)
            return
        if not float(match["scale"]):
            self.notes.no_factor(piece, match["name"], message.name)
        message.add(match, piece.text, piece.line)

    def _find(self, piece: Piece, number: str, name: str | None = None) -> MessageEntry | None:
        """Return the message that an entry is about; say where it leads to none."""
        found = self._directory.find(int(number[:MOST_DIGITS]), name)
        if found.expected:
            self.notes.reference(piece, found)
        return found.message

    def _take_table(self, piece: Piece, match: re.Match[str]) -> None:
        if any(len(number) > MOST_DIGITS for number in re.findall(r"\d+(?=\s*\")", match["pairs"])):
            self.notes.lost(piece, "values of at most 64 bits")
        elif match["number"] is None:
            if match["name"] not in self._variables:
                owner = self._directory.owner_of(match["name"])
                mend_by = f"Perhaps VAL_ {owner.written} {match['name']} is meant." if owner else ""
                self.notes.lost(piece, "the number of a message behind VAL_", mend=mend_by)
        elif message := self._find(piece, match["number"], match["name"]):
            message.texts.append(f"VAL_ {message.number} {match['name']}{match['pairs']} ;")

    def _take_float(self, piece: Piece, match: re.Match[str]) -> None:
        message = self._find(piece, match["number"], match["name"])
        signal = message.signal(match["name"]) if message else None
        if message is None or signal is None or match["type"] == "0":
            return
        if match["type"] == "3" or signal.length not in FLOAT_LENGTHS:
            expected = f"type 1 or 2 (float) for a signal of 32 or 64 bits; {signal.name} has {signal.length}"
            done = "The signal is read as a whole number."
            self.notes.lost(piece, expected, done=done, message=message.name)
            return
        message.texts.append(f"SIG_VALTYPE_ {message.number} {match['name']} : {match['type']};")

    def _take_pages(self, piece: Piece, match: re.Match[str]) -> None:
        ranges = [(int(low), int(high)) for low, high in re.findall(r"(\d{1,20})\s*-(\d{1,20})", match["ranges"])]
        if any(low > high for low, high in ranges):
            self.notes.lost(piece, "ranges from the lower to the higher value")
        elif message := self._find(piece, match["number"], match["name"]):
            names = f"{match['name']} {match['multiplexer']}"
            message.texts.append(f"SG_MUL_VAL_ {message.number} {names} {match['ranges']};")

    def _take_senders(self, piece: Piece, match: re.Match[str]) -> None:
        if message := self._find(piece, match["number"]):
            message.texts.append(f"BO_TX_BU_ {message.number} : {match['names']};")

    def _take_comment(self, piece: Piece, match: re.Match[str]) -> None:
        if match["object"]:
            self._find(piece, match["number"], match["name"])
        elif match["message"]:
            self._find(piece, match["message_number"])

    def _take_definition(self, piece: Piece, match: re.Match[str]) -> None:
        expected = self._attributes.define(match, piece.text)
        if expected:
            self.notes.lost(piece, expected)

    def _take_default(self, piece: Piece, match: re.Match[str]) -> None:
        expected = self._attributes.set_default(match, piece.text)
        if expected:
            self.notes.lost(piece, expected)

    def _take_attribute(self, piece: Piece, match: re.Match[str]) -> None:
        name = match["attribute"][1:-1]
        number = match["number"] or match["signal_number"]
        if name not in USED:
            if name not in self._attributes.named:
                self.notes.undefined(piece, name)
            elif number:
                self._find(piece, number, match["name"])
            return
        message = self._find(piece, number, match["name"]) if number else None
        if (number and message is None) or not (number or match["node"]):
            return
        value, expected = self._attributes.value(match)
        if expected:
            self.notes.attribute(piece, expected, is_used=bool(value))
        if not value:
            return
        texts = self._node_texts if message is None else message.texts
        about = f"BU_ {match['node']}" if message is None else f"BO_ {message.number}"
        if message is not None and match["name"]:
            about = f"SG_ {message.number} {match['name']}"
        texts.append(f'BA_ "{name}" {about} {value};')

    def _take_variable(self, piece: Piece, match: re.Match[str]) -> None:
        del piece
        self._variables.add(match["name"])


def _may_be_message(piece: Piece) -> bool:
    """Tell whether a text of which nothing can be made was the head of a message, with signals under it."""
    if piece.kind:
        return piece.kind == "BO_"
    looks_like_head = re.search(r"\bBO_\b|\d.*:|:.*\d", piece.text, re.ASCII) is not None
    return looks_like_head and not re.search(r'[|@";]', piece.text)


def _lost(piece: Piece) -> MessageEntry:
    """Return a stand-in for a message that could not be read, to which the signals under it belong."""
    found = re.match(r'BO_\s+(\d{1,10})\s[^"]*$', piece.text, re.ASCII)
    number = int(found[1]) if found else -1
    return MessageEntry(number, number, "", piece.line, is_used=False)
