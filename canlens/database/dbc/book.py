"""A DBC that the parser refused, entry by entry: what it is given the second time, and what is said of the rest."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

from canlens.database.dbc.entries import LOOSE, NUMBER, PATTERNS, STRING, Piece, shape, split
from canlens.database.dbc.mending import EXPECTED_LENGTH, NEAR, mend
from canlens.database.dbc.names import NO_MESSAGE, legal_name
from canlens.database.dbc.outline import FLAG_EXTENDED, MOST_BITS, WIDEST_RANGE, MessageEntry, SignalEntry, page_ranges
from canlens.database.nouns import FLOAT_LENGTHS, DatabaseProblem

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_BASE, MOST_EXTENDED = 0x7FF, 0x1FFF_FFFF
USED: Final = (
    *("GenMsgCycleTime", "VFrameFormat"),
    *("SystemMessageLongSymbol", "SystemSignalLongSymbol", "SystemNodeLongSymbol"),
)
"""Attributes that say something of messages and signals that is used."""
MOST_DIGITS = 20
"""Digits that a number may have: 64 bits need no more."""
FRAME_FORMATS = 16
"""Values of VFrameFormat where it is defined as a number."""
MOST = 1e15
"""No cycle time or frame format is a greater number."""
LONGEST_QUOTE, LONGEST_MEND = 60, 200
"""Longest pieces of an entry that sentences quote [characters]."""
NOT_USED = "The entry is not used; the rest of the file is."
MENDED = "The entry was mended and is used."
_NUMERIC: Final = frozenset({"INT", "HEX", "FLOAT"})
_NUMBER = re.compile(NUMBER, re.ASCII)


@dataclass
class _Block(MessageEntry):
    """A message as the parser is given it; ``written`` is its number as it stands in the file."""

    written: int = -1
    is_used: bool = True
    texts: list[str] = field(default_factory=list)


@dataclass
class _Definition:
    """A definition of an attribute; ``texts`` as the parser is given it, with its default."""

    texts: list[str]
    type: str
    choices: Sequence[str] = ()


_FRAME_FORMAT: Final = ('BA_DEF_ BO_ "VFrameFormat" INT 0 15;', 'BA_DEF_DEF_ "VFrameFormat" 0;')


def _usual(name: str) -> _Definition:
    """Return the usual definition of an attribute, for a file that uses it without one."""
    if name == "VFrameFormat":
        return _Definition(list(_FRAME_FORMAT), "INT")
    if name == "GenMsgCycleTime":
        return _Definition([f'BA_DEF_ BO_ "{name}" INT 0 3600000;'], "INT")
    return _Definition([f'BA_DEF_ "{name}" STRING ;'], "STRING")


class Book:
    """The entries of one DBC: what cannot be used is left out, alone, and said.

    Attributes
    ----------
    problems
        What is said of entries that could not be used as they stand; many of one kind are one with a count.
    has_entries
        Whether there was a single entry of a DBC.
    """

    def __init__(self, text: str, file: str) -> None:
        self.problems: list[DatabaseProblem] = []
        self.has_entries = False
        self._file = file
        self._groups: dict[str, int] = {}
        self._last_run = (-1, -1)
        self._blocks: list[_Block] = []
        self._is_behind = False
        self._more: list[str] = []
        self._definitions: dict[str, _Definition] = {}
        self._named: set[str] = set()
        self._variables: set[str] = set()
        later = self._gather(text)
        self._by_number: defaultdict[int, list[_Block]] = defaultdict(list)
        self._owners: defaultdict[str, list[_Block]] = defaultdict(list)
        for block in self._blocks:
            for number in {block.number, block.written}:
                self._by_number[number].append(block)
            for name in {signal.name for signal in block.signals}:
                self._owners[name].append(block)
        self._take_all(later)

    @property
    def messages(self) -> Sequence[MessageEntry]:
        """The messages that are used, in file order."""
        return [block for block in self._blocks if block.is_used]

    def text(self) -> str:
        """Return all that the parser shall know."""
        blocks = [text for block in self._blocks if block.is_used for text in block.texts]
        definitions = [text for definition in self._definitions.values() for text in definition.texts]
        return "\n".join((*self._more[:1], *blocks, *definitions, *self._more[1:], ""))

    def _gather(self, text: str) -> dict[str, list[tuple[Piece, re.Match[str]]]]:
        """Take messages and signals at once; return what refers to them, by kind."""
        later: defaultdict[str, list[tuple[Piece, re.Match[str]]]] = defaultdict(list)
        for damaged in split(text):
            piece, has_length = (damaged, True) if damaged.match else self._mended(damaged)
            if piece is None or piece.match is None:
                continue
            self.has_entries = True
            if piece.kind == "BO_":
                self._take_message(piece, piece.match, has_length=has_length)
            elif piece.kind == "SG_":
                self._take_signal(piece, piece.match)
            else:
                self._is_behind = self._is_behind or piece.kind != "CM_"
                later[piece.kind].append((piece, piece.match))
        return later

    def _take_all(self, later: dict[str, list[tuple[Piece, re.Match[str]]]]) -> None:
        """Take the entries that refer to others, definitions in front of what they define."""
        nodes = dict.fromkeys(name for _, match in later.get("BU_", ()) for name in match["names"].split())
        self._more.append(f"BU_: {' '.join(nodes)}\n")
        self._variables = {match["name"] for _, match in later.get("EV_", ())}
        for kind, take in {
            "BA_DEF_": self._take_definition,
            "BA_DEF_DEF_": self._take_default,
            "BO_TX_BU_": self._take_senders,
            "SIG_VALTYPE_": self._take_float,
            "SG_MUL_VAL_": self._take_pages,
            "VAL_": self._take_table,
            "BA_": self._take_attribute,
        }.items():
            for piece, match in later.get(kind, ()):
                take(piece, match)

    def _say(
        self,
        piece: Piece,
        expected: str,
        done: str = NOT_USED,
        *,
        found: str = "",
        mend: str = "",
        message: str = "",
        group: str = "",
    ) -> None:
        """Note a problem; with ``group`` only the first of its kind, with the count of all."""
        if group and group in self._groups:
            at = self._groups[group]
            self.problems[at] = replace(self.problems[at], count=self.problems[at].count + 1)
            return
        if group:
            self._groups[group] = len(self.problems)
        found = found or _quoted(piece.text)
        problem = DatabaseProblem(piece.line, found, expected, file=self._file, done=done, mend=mend, message=message)
        self.problems.append(problem)

    def _mended(self, piece: Piece) -> tuple[Piece | None, bool]:
        """Mend an entry and say so, or say what is lost; return also whether a payload length could be read."""
        if piece.kind and piece.kind not in PATTERNS and LOOSE.fullmatch(piece.text):
            expected = "an entry of a kind that says something of messages and signals"
            self._say(piece, expected, "Nothing of it is needed.", group=f"kind {piece.kind}")
            return None, False
        mended = mend(piece)
        within = self._blocks[-1].name if self._blocks and piece.kind in {"SG_", ""} else ""
        is_message = mended is None and _may_be_message(piece)
        if piece.kind == "CM_":
            expected = ", ".join(mended.expected) if mended else shape("CM_")
            self._say(piece, expected, "Comments are not used; nothing is lost.")
        elif mended:
            proposal = f"Write `{mended.text}`." if len(mended.text) <= LONGEST_MEND else ""
            expected = ", ".join(mended.expected) or shape(mended.kind)
            self._say(piece, expected, MENDED, mend=proposal, message=within)
        elif is_message:
            self._say(piece, shape("BO_"), "The message and the signals under it are not used.", message=within)
            found = re.match(r'BO_\s+(\d{1,10})\s[^"]*$', piece.text, re.ASCII)
            number = int(found[1]) if found else -1
            self._blocks.append(_Block(number, "", piece.line, written=number, is_used=False))
        else:
            group = "" if piece.kind else f"text {self._run(piece.line)}"
            self._say(piece, shape(piece.kind), message=within, group=group)
        if mended is None:
            return None, False
        return Piece(mended.kind, piece.line, mended.text, mended.match), EXPECTED_LENGTH not in mended.expected

    def _run(self, line: int) -> int:
        """Return the first line of the run of foreign lines that a line belongs to."""
        first, last = self._last_run
        self._last_run = (first, line) if line == last + 1 else (line, line)
        return self._last_run[0]

    def _take_message(self, piece: Piece, match: re.Match[str], *, has_length: bool) -> None:
        name, written = match["name"], int(match["number"][:MOST_DIGITS])
        length = int(match["length"][:MOST_DIGITS])
        block = _Block(written, name, piece.line, written=written, is_used=name != NO_MESSAGE)
        if length >= MOST_BITS // 8:
            done = "The message is taken to be as long as its signals need."
            self._say(piece, EXPECTED_LENGTH + " in bytes", done, message=name)
            has_length, length = False, 0
        low = written & MOST_EXTENDED
        if not block.is_used or written <= MOST_BASE or written == FLAG_EXTENDED | low:
            pass
        elif written == low:
            block.number = written + FLAG_EXTENDED
            self._say(
                piece,
                f"at most 11 bits, or 29 bits with 2147483648 added to the number: {block.number}",
                "The message is taken as one with a 29-bit identifier.",
                found=f"message {name} with number {written}, an identifier 0x{written:x} of more than 11 bits",
                mend=f"Write BO_ {block.number}.",
                message=name,
            )
        else:
            block.is_used = False
            self._say(
                piece,
                "an identifier of at most 11 bits, or of 29 bits with 2147483648 added to it",
                "The message and the signals under it are not used.",
                found=f"message {name} with number {written} (0x{written:x})",
                mend=f"Correct the number; its low 29 bits are 0x{low:x}.",
                message=name,
            )
        block.has_length = has_length
        block.texts.append(f"BO_ {block.number} {name}: {length} {match['sender']}")
        self._blocks.append(block)
        self._is_behind = False

    def _take_signal(self, piece: Piece, match: re.Match[str]) -> None:
        if not self._blocks:
            self._say(piece, "a BO_ line in front of it, to which the signal belongs")
            return
        block = self._blocks[-1]
        if self._is_behind:
            expected = "all signals of a message directly under its BO_ line"
            self._say(piece, expected, f"The signal is taken as one of message {block.name}.", message=block.name)
            self._is_behind = False
        if expected := _unfit(match):
            self._say(piece, expected, message=block.name)
            return
        block.signals.append(SignalEntry(match["name"], match["mark"] or "", piece.line, int(match["length"])))
        block.texts.append(f" {match[0]}")

    def _find(self, piece: Piece, number_text: str, name: str | None = None) -> _Block | None:
        """Return the message that an entry is about; say where it leads to none."""
        number = int(number_text[:MOST_DIGITS])
        blocks = self._by_number.get(number) or self._by_number.get(number ^ FLAG_EXTENDED, [])
        if any(not block.is_used for block in blocks):
            return None  # that message was lost, which was said
        wanted = None if name is None else legal_name(name)
        found = next((one for one in blocks if wanted is None or one.signal(wanted)), None)
        if found is not None:
            if number not in {found.number, found.written}:
                expected = f"the number {number ^ FLAG_EXTENDED}, with which the message is defined"
                done, advice = "The entry is used for this message.", f"Write {found.written} instead of {number}."
                self._say(piece, expected, done, mend=advice, message=found.name)
            return found
        expected = f"a signal {name} in message {blocks[0].name}" if blocks else f"a message with the number {number}"
        group = f"{piece.kind} {expected}" if piece.kind == "BA_" else ""
        self._say(piece, expected, mend=self._advice(wanted, blocks), group=group)
        return None

    def _advice(self, name: str | None, blocks: list[_Block]) -> str:
        """Return what is probably meant by the name of a signal that is not in these messages."""
        names = [signal.name for block in blocks for signal in block.signals]
        if name and names:
            alike = [other for other in names if other.lower() == name.lower()]
            if alike := alike or get_close_matches(name, names, n=1, cutoff=NEAR):
                return f"Perhaps {alike[0]} is meant."
        owners = self._owners.get(name or "", [])
        if len(owners) != 1:
            return ""
        return f"{name} is a signal of message {owners[0].name}: perhaps write {owners[0].written}."

    def _take_table(self, piece: Piece, match: re.Match[str]) -> None:
        name = match["name"]
        if re.search(r"\d{21}", re.sub(STRING, "", match["pairs"])):
            self._say(piece, "values of at most 64 bits")
        elif match["number"] is None:
            if name not in self._variables:
                owners = self._owners.get(name, [])
                advice = f"Perhaps VAL_ {owners[0].written} {name} is meant." if len(owners) == 1 else ""
                self._say(piece, "the number of a message behind VAL_", mend=advice)
        elif block := self._find(piece, match["number"], name):
            self._more.append(f"VAL_ {block.number} {name}{match['pairs']} ;")

    def _take_float(self, piece: Piece, match: re.Match[str]) -> None:
        block = self._find(piece, match["number"], match["name"])
        signal = block.signal(match["name"]) if block else None
        if block is None or signal is None or match["type"] == "0":
            return
        if match["type"] == "3" or signal.length not in FLOAT_LENGTHS:
            expected = f"type 1 or 2 (float) for a signal of 32 or 64 bits; {signal.name} has {signal.length}"
            self._say(piece, expected, "The signal is read as a whole number.", message=block.name)
            return
        self._more.append(f"SIG_VALTYPE_ {block.number} {match['name']} : {match['type']};")

    def _take_pages(self, piece: Piece, match: re.Match[str]) -> None:
        ranges = page_ranges(match["ranges"])
        if any(low > high for low, high in ranges):
            self._say(piece, "ranges from the lower to the higher value")
        elif block := self._find(piece, match["number"], match["name"]):
            wide = tuple((low, high) for low, high in ranges if high - low >= WIDEST_RANGE)
            block.wide_pages[match["name"]] = (*block.wide_pages.get(match["name"], ()), *wide)
            given = ", ".join(f"{low}-{low if (low, high) in wide else high}" for low, high in ranges)
            self._more.append(f"SG_MUL_VAL_ {block.number} {match['name']} {match['multiplexer']} {given};")

    def _take_senders(self, piece: Piece, match: re.Match[str]) -> None:
        if block := self._find(piece, match["number"]):
            self._more.append(f"BO_TX_BU_ {block.number} : {match['names']};")

    def _take_definition(self, piece: Piece, match: re.Match[str]) -> None:
        name, kind, limits = match["attribute"][1:-1], match["type"], match["limits"]
        self._named.add(name)
        if name not in USED:
            return
        numbers, texts = _NUMBER.findall(limits), re.findall(STRING, limits)
        if kind not in {"ENUM", "STRING", *_NUMERIC} or (kind == "ENUM" and not texts):
            self._say(piece, "one of the types INT, HEX, FLOAT, ENUM and STRING, an ENUM with its texts")
        elif kind in _NUMERIC and (texts or len(numbers) == 1 or not all(map(_usable, numbers))):
            self._say(piece, "the least and the greatest value of a number")
        elif name == "VFrameFormat" and kind != "ENUM":
            self._definitions[name] = _usual(name)
        else:
            self._definitions[name] = _Definition([match[0]], kind, [text[1:-1] for text in texts])

    def _take_default(self, piece: Piece, match: re.Match[str]) -> None:
        name = match["attribute"][1:-1]
        definition = self._definitions.get(name)
        if definition is None:
            return
        if definition.type != "ENUM" and (expected := _unmet(name, definition, match["value"].strip('"'))):
            self._say(piece, expected)
        else:
            definition.texts.append(match[0])

    def _take_attribute(self, piece: Piece, match: re.Match[str]) -> None:
        name, value = match["attribute"][1:-1], match["value"]
        number = match["number"] or match["signal_number"]
        if name not in USED and name not in self._named:
            expected = f'a BA_DEF_ entry that defines "{name}"'
            self._say(piece, expected, "This attribute is not used; nothing is lost.", group=name)
            return
        block = self._find(piece, number, match["name"]) if number else None
        if name not in USED or (block is None and not match["node"]):
            return
        if name not in self._definitions:
            self._definitions[name] = _usual(name)
            self._say(piece, f'a BA_DEF_ entry that defines "{name}"', MENDED)
        definition, plain = self._definitions[name], value.strip('"')
        if plain in definition.choices:
            value = str(definition.choices.index(plain))
            self._say(piece, f"the number of the text, {value}", MENDED, group=f"text {name}")
        elif expected := _unmet(name, definition, plain):
            self._say(piece, expected)
            return
        about = f"BU_ {match['node']}" if block is None else f"BO_ {block.number}"
        if block is not None and match["name"]:
            about = f"SG_ {block.number} {match['name']}"
        self._more.append(f'BA_ "{name}" {about} {value};')


def _unmet(name: str, definition: _Definition, value: str) -> str:
    """Return what is expected of the value of an attribute and not met, empty if it can be used."""
    if definition.type == "ENUM" and not (value.isdecimal() and int(value[:9]) < len(definition.choices)):
        return f"a number below {len(definition.choices)}, one for each text of the definition"
    if definition.type in _NUMERIC and not _usable(value):
        return "a number, since the attribute is defined as one"
    if name == "VFrameFormat" and definition.type == "INT" and not (value.isdecimal() and int(value) < FRAME_FORMATS):
        return f"a number below {FRAME_FORMATS}"
    return ""


def _usable(number: str) -> bool:
    return _NUMBER.fullmatch(number) is not None and abs(float(number)) < MOST


def _unfit(match: re.Match[str]) -> str:
    """Return what is expected of a signal's numbers and not met, empty if all can be used."""
    length, start = int(match["length"][:9]), int(match["start"][:9])
    if not 0 < length < MOST_BITS:
        return "a length of at least 1 bit" if not length else f"a length of less than {MOST_BITS} bits"
    if start >= MOST_BITS:
        return f"a start bit below {MOST_BITS}"
    if not all(math.isfinite(float(match[part])) for part in ("scale", "offset", "minimum", "maximum")):
        return "numbers that a computer can hold"
    if len(match["mark"] or "") > 12:  # noqa: PLR2004 – ten digits hold any 32-bit multiplexer
        return "a page number of 32 bits"
    return ""


def _may_be_message(piece: Piece) -> bool:
    """Tell whether a text of which nothing can be made was the head of a message, with signals under it."""
    if piece.kind:
        return piece.kind == "BO_"
    looks_like_head = re.search(r"\bBO_\b|\d.*:|:.*\d", piece.text, re.ASCII) is not None
    return looks_like_head and not re.search(r'[|@";]', piece.text)


def _quoted(text: str) -> str:
    """Return the begin of an entry on one line, in quotation marks."""
    line = " ".join(text.split())
    return f"`{line[:LONGEST_QUOTE]}…`" if len(line) > LONGEST_QUOTE else f"`{line}`"
