"""Layout: a page of plain text, wrapped by what a character takes on the screen; nothing in it acts on a console."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


# Characters: what would act on a console is made visible, and what the console lacks is replaced.


STAND_INS = {
    "Ω": "ohm", "\u2126": "ohm", "µ": "u", "μ": "u", "°": " deg ",
    "–": "-", "—": "-", "−": "-", "‐": "-", "…": "...", "·": ".", "•": "*",
    "×": "x", "÷": "/", "±": "+/-", "≤": "<=", "≥": ">=", "≈": "~", "≠": "!=", "²": "^2", "³": "^3",
    "→": "->", "←": "<-", "✓": "+", "✗": "X", "█": "#", "▄": "=",
    "“": '"', "”": '"', "„": '"', "«": '"', "»": '"', "‘": "'", "’": "'",
}  # fmt: skip
"""What stands for a sign of the trade on a console that cannot show it."""


def visible(text: str) -> str:
    r"""Show what would act on a terminal, or hide on it, as an escape; other kinds of space become a space.

    Control characters, escape sequences, marks that turn the writing direction, invisible characters and
    bytes of a file name that are no text all lose their effect.

    Examples
    --------
    >>> visible("\x1b[31mhorn\nbrake")
    '\\x1b[31mhorn\\nbrake'
    >>> visible("a\u202eb\xa0c")
    'a\\u202eb c'
    """
    if text.isprintable():
        return text
    return "".join(_visible_character(character) for character in text)


def _visible_character(character: str) -> str:
    if character.isprintable():
        return character
    if character.isspace() and character > "\x7f" and character not in "\x85\u2028\u2029":
        return " "
    return character.encode("unicode_escape").decode("ascii")


def fitted(text: str, encoding: str) -> str:
    r"""Return the text, made visible, as a console of this encoding (``utf-8``, ``cp1252``) can show it.

    Examples
    --------
    >>> fitted("60 Ω ± 2 – Bühne", "ascii")
    '60 ohm +/- 2 - B\\xfchne'
    """
    text = visible(text)
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return "".join(_stand_in(character, encoding) for character in text)
    return text


def _stand_in(character: str, encoding: str) -> str:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return STAND_INS.get(character) or character.encode("unicode_escape").decode("ascii")
    return character


WIDTH = 80
"""Columns of a page: what every console has."""
UNITS = frozenset({"%", "s", "ms", "V", "A", "mA", "Hz", "ohm", "Ω", "bit/s"})
"""What is never parted from the number before it."""
GAP = 2
"""Columns between two columns of a table."""


def display_width(text: str) -> int:
    """Return how many columns the text takes on a console.

    Wide and full-width characters take 2 (Unicode Standard Annex 11), combining marks 0, all others 1.

    Examples
    --------
    >>> display_width("horn"), display_width("喇叭"), display_width("e\u0301")
    (4, 4, 1)
    """
    return sum(map(_character_width, text))


def _character_width(character: str) -> int:
    if character < "\u0300":
        return 1
    if unicodedata.combining(character) or unicodedata.category(character) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def wrap(text: str, width: int, *, first: int | None = None) -> list[str]:
    """Break a text into lines of at most ``width`` columns, between words where that can be done.

    ``first`` is the room in the first line, where something stands before it.

    Examples
    --------
    >>> wrap("measure the output terminal", 12)
    ['measure the', 'output', 'terminal']
    >>> wrap("measure the output terminal", 15, first=5)
    ['', 'measure the', 'output terminal']
    >>> wrap("not above 12.5 %, it says", 13)
    ['not above', '12.5 %, it', 'says']
    >>> wrap("", 12)
    ['']
    """
    lines: list[str] = []
    line, used = "", 0
    room = width if first is None else first
    for word in _words(text, width):
        for piece in _pieces(word, width):
            wide = display_width(piece)
            if used + bool(line) + wide > room and (line or room < width):
                lines.append(line)
                line, used, room = "", 0, width
            line, used = (f"{line} {piece}", used + 1 + wide) if line else (piece, wide)
    return [*lines, line]


def _words(text: str, width: int) -> Iterator[str]:
    """Yield the words of a text; a number and its unit are one, unless a line is too narrow for them."""
    held = ""
    for word in text.split():
        together = f"{held} {word}"
        if held and word.rstrip(".,;:)") in UNITS and display_width(together) <= width:
            held = together
            continue
        if held:
            yield held
            held = ""
        if word[-1].isdigit():
            held = word
        else:
            yield word
    if held:
        yield held


def _pieces(word: str, width: int) -> Iterator[str]:
    """Yield the word in pieces that fit; one piece unless it is longer than a line."""
    piece, used = "", 0
    for character in word:
        wide = _character_width(character)
        if piece and used + wide > width:
            yield piece
            piece, used = "", 0
        piece, used = piece + character, used + wide
    yield piece


def padded(text: str, width: int) -> str:
    """Fill a text with spaces up to ``width`` columns."""
    return text + " " * (width - display_width(text))


@dataclass
class Page:
    """Lines of a report while it is put together; all that is added is made fit for the console first."""

    encoding: str = "utf-8"
    lines: list[str] = field(default_factory=list)

    def text(self) -> str:
        """Return the page with a newline at its end."""
        return "\n".join(self.lines) + "\n"

    def heading(self, text: str) -> None:
        """Start a section: an empty line, the title and a line under it."""
        titles = wrap(fitted(text, self.encoding), WIDTH)
        self.lines += ["", *titles, "-" * max(map(display_width, titles))]

    def gap(self) -> None:
        """Leave one line empty."""
        self.lines.append("")

    def paragraph(self, text: str, *, first: str = "", indent: int = 0) -> None:
        """Add wrapped text, a short ``first`` before its first line, the others indented by ``indent``."""
        first = fitted(first, self.encoding)
        start = padded(first, indent) if display_width(first) <= indent else f"{first} "
        words = fitted(text, self.encoding)
        head, *rest = wrap(words, WIDTH - indent, first=WIDTH - max(indent, display_width(start)))
        self.lines.append((start + head).rstrip())
        self.lines += [" " * indent + line for line in rest]

    def strips(self, rows: Sequence[tuple[str, str]], *, widest: int) -> None:
        """Add rows of signs that stand exactly below one another, each with its name in ``widest`` columns."""
        fit = [(wrap(fitted(name, self.encoding), widest), fitted(signs, self.encoding)) for name, signs in rows]
        column = GAP + max((display_width(line) for name, _ in fit for line in name), default=0)
        for (first, *rest), signs in fit:
            self.lines.append((padded(first, column) + signs).rstrip())
            self.lines += rest

    def facts(self, rows: Sequence[tuple[str, str]], *, indent: int = 0) -> None:
        """Add labelled texts, the labels in a column of their own; rows without text are left out."""
        told = [(fitted(label, self.encoding), text) for label, text in rows if text]
        column = indent + GAP + max((display_width(label) for label, _ in told), default=0)
        for label, text in told:
            self.paragraph(text, first=" " * indent + label, indent=column)

    def table(
        self,
        headings: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        remarks: Sequence[Sequence[str]] = (),
        indent: int = 0,
    ) -> None:
        """Add a table, cells wrapped inside their columns, the ``remarks`` of each row as sentences under it."""
        cells = [[fitted(cell, self.encoding) for cell in row] for row in (headings, *rows)]
        widths = _column_widths(cells, WIDTH - indent)
        for number, row in enumerate(cells):
            self._row(row, widths, indent)
            if not number:
                self.lines.append(" " * indent + (" " * GAP).join("-" * width for width in widths))
            elif remarks:
                for remark in remarks[number - 1]:
                    self.paragraph(remark, indent=indent + 2 * GAP, first=" " * (indent + 2 * GAP))

    def _row(self, row: Sequence[str], widths: Sequence[int], indent: int) -> None:
        columns = [wrap(cell, width) for cell, width in zip(row, widths, strict=True)]
        for number in range(max(map(len, columns))):
            parts = [column[number] if number < len(column) else "" for column in columns]
            line = (" " * GAP).join(map(padded, parts, widths))
            self.lines.append((" " * indent + line).rstrip())


def _column_widths(cells: Sequence[Sequence[str]], room: int) -> list[int]:
    """Return each column's width: its longest cell; where that is too much, the widest columns are cut.

    A column is first cut down to its longest word; words are broken only if that is not enough.
    """
    columns = list(zip(*cells, strict=True))
    room -= GAP * (len(columns) - 1)
    widths = [min(room, max(1, *map(display_width, column))) for column in columns]
    words = [max(display_width(word) for cell in column for word in cell.split() or [""]) for column in columns]
    while sum(widths) > room:
        loose = [number for number, width in enumerate(widths) if width > words[number]]
        widest = max(loose or range(len(widths)), key=widths.__getitem__)
        widths[widest] -= 1
    return widths
