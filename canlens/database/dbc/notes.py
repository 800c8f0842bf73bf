"""What is said of entries that could not be used as they stand; nothing is mended in silence."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.database.dbc.grammar import shape
from canlens.database.nouns import DatabaseProblem

if TYPE_CHECKING:
    from canlens.database.dbc.entries import Piece
    from canlens.database.dbc.mending import Mended
    from canlens.database.dbc.references import Found

LONGEST_QUOTE = 60
"""Longest piece of an entry that a sentence quotes [characters]."""
LONGEST_MEND = 200
NOT_USED = "The entry is not used; the rest of the file is."


class Notes:
    """Collects problems; many of one kind become one with a count."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[DatabaseProblem] = []
        self._groups: dict[str, int] = {}
        self._last_run = (-1, -1)

    def add(
        self, line: int, found: str, expected: str, done: str, *, mend: str = "", message: str = "", group: str = ""
    ) -> None:
        """Note a problem; with ``group`` only the first of its kind, with the count of all."""
        if group and group in self._groups:
            at = self._groups[group]
            self.problems[at] = replace(self.problems[at], count=self.problems[at].count + 1)
            return
        if group:
            self._groups[group] = len(self.problems)
        self.problems.append(
            DatabaseProblem(line, found, expected, file=self.file, done=done, mend=mend, message=message)
        )

    def mended(self, piece: Piece, mended: Mended, *, within: str) -> None:
        """Note an entry that was mended."""
        expected = ", ".join(mended.expected) or shape(mended.kind)
        if piece.kind == "CM_":
            self.add(piece.line, quoted(piece.text), expected, "Comments are not used; nothing is lost.")
            return
        done = "The entry was mended and is used."
        mend = f"Write `{mended.text}`." if len(mended.text) <= LONGEST_MEND else ""
        self.add(piece.line, quoted(piece.text), expected, done, mend=mend, message=within)

    def dropped(self, piece: Piece, *, is_message: bool, within: str) -> None:
        """Note an entry of which nothing could be made."""
        if piece.kind == "CM_":
            self.add(piece.line, quoted(piece.text), shape("CM_"), "Comments are not used; nothing is lost.")
            return
        done = "The message and the signals under it are not used." if is_message else NOT_USED
        expected = shape("BO_" if is_message else piece.kind)
        group = "" if piece.kind or is_message else f"text {self._run(piece.line)}"
        self.add(piece.line, quoted(piece.text), expected, done, message=within, group=group)

    def _run(self, line: int) -> int:
        """Return the first line of the run of foreign lines that a line belongs to."""
        first, last = self._last_run
        self._last_run = (first, line) if line == last + 1 else (line, line)
        return self._last_run[0]

    def lost(self, piece: Piece, expected: str, *, done: str = NOT_USED, mend: str = "", message: str = "") -> None:
        """Note an entry that is well written but cannot be used."""
        self.add(piece.line, quoted(piece.text), expected, done, mend=mend, message=message)

    def reference(self, piece: Piece, found: Found) -> None:
        """Note an entry whose number or name leads to nothing, or only once it is mended."""
        if found.message is not None:
            done, name = "The entry is used for this message.", found.message.name
            self.add(piece.line, quoted(piece.text), found.expected, done, mend=found.mend, message=name)
            return
        group = f"{piece.kind} {found.expected}" if piece.kind in {"CM_", "BA_"} else ""
        self.add(piece.line, quoted(piece.text), found.expected, NOT_USED, mend=found.mend, group=group)

    def no_identifier(self, piece: Piece, name: str, number: int) -> None:
        """Note a message with a number that no identifier has."""
        low = number & 0x1FFF_FFFF
        self.add(
            piece.line,
            f"message {name} with number {number} (0x{number:x})",
            "an identifier of at most 11 bits, or of 29 bits with 2147483648 added to it",
            "The message and the signals under it are not used.",
            mend=f"Correct the number; its low 29 bits are 0x{low:x}.",
            message=name,
        )

    def no_flag(self, piece: Piece, name: str, number: int, expected: str) -> None:
        """Note a 29-bit identifier without the bit that says so."""
        self.add(
            piece.line,
            f"message {name} with number {number}, an identifier 0x{number:x} of more than 11 bits",
            expected,
            "The message is taken as one with a 29-bit identifier.",
            mend=f"Write BO_ {number + 0x8000_0000}.",
            message=name,
        )

    def too_long(self, piece: Piece, name: str) -> None:
        """Note a payload length that no bus carries."""
        done = "The message is taken to be as long as its signals need."
        self.add(piece.line, quoted(piece.text), "a payload length in bytes", done, message=name)

    def no_factor(self, piece: Piece, signal: str, message: str) -> None:
        """Note a signal that is multiplied by 0."""
        self.add(
            piece.line,
            f"signal {signal} of message {message} with factor 0",
            "a factor that is not 0; with it every value is the same",
            "The signal is decoded as declared.",
            mend="Write the factor; 1 shows raw values.",
            message=message,
        )

    def behind(self, piece: Piece, message: str) -> None:
        """Note a signal that does not stand directly under its message."""
        done = f"The signal is taken as one of message {message}."
        expected = "all signals of a message directly under its BO_ line"
        self.add(piece.line, quoted(piece.text), expected, done, message=message)

    def undefined(self, piece: Piece, name: str) -> None:
        """Note an attribute that is nowhere defined and not needed either."""
        expected = f'a BA_DEF_ entry that defines "{name}"'
        self.add(piece.line, quoted(piece.text), expected, "This attribute is not used; nothing is lost.", group=name)

    def attribute(self, piece: Piece, expected: str, *, is_used: bool) -> None:
        """Note an attribute whose value or definition had to be mended, or could not be."""
        done = "The entry was mended and is used." if is_used else NOT_USED
        self.add(piece.line, quoted(piece.text), expected, done, group=expected if "BA_DEF_" in expected else "")

    def unused_kind(self, piece: Piece) -> None:
        """Note an entry of a kind of which nothing is used."""
        expected = "an entry of a kind that says something of messages and signals"
        self.add(piece.line, quoted(piece.text), expected, "Nothing of it is needed.", group=f"kind {piece.kind}")

    def header(self) -> None:
        """Note a file that begins without its head."""
        expected = "a head of VERSION, NS_, BS_ and BU_ entries"
        self.add(
            1, "messages without anything in front of them", expected, "Nothing of it is needed; the file is used."
        )


def quoted(text: str) -> str:
    """Return the begin of an entry on one line, in quotation marks."""
    line = " ".join(text.split())
    return f"`{line[:LONGEST_QUOTE]}…`" if len(line) > LONGEST_QUOTE else f"`{line}`"
