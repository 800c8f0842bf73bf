"""Fitting: how big the letters of the customer sheet may be, so that all of it stands on one printed page.

A page prints without a script that could measure, so the height is estimated from the lengths of the texts, with the
widths of a broad typeface; a narrower one leaves some room at the foot of the page.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

POINTS_PER_MM = 72 / 25.4
MARGIN_MM = (11.0, 12.0)
"""Above and below, left and right; as in the style of the sheet."""
WIDTH = (210.0 - 2 * MARGIN_MM[1]) * POINTS_PER_MM
"""Room for the text [pt]: as narrow as A4 (ISO 216)."""
HEIGHT = (279.4 - 2 * MARGIN_MM[0]) * POINTS_PER_MM
"""And as low as Letter (ANSI/ASME Y14.1)."""
SPARE = 0.98
"""Share of the height that may be filled; the estimate is not exact."""
LETTER, BOLD = 0.57, 0.65
"""Mean width of a letter of a broad typeface, as a share of its size (measured on DejaVu Sans)."""
LINE = 1.25
COLUMNS = (0.25, 0.34, 0.41)
"""Shares of the table's columns, as in the style of the sheet."""
SMALL = 0.83
"""Size of the small print in a table."""


@dataclass(frozen=True)
class Texts:
    """The texts of a sheet, from the top down.

    Attributes
    ----------
    title, verdict, footer
        As they stand on it.
    facts
        Label and value of each detail.
    rows
        Of each output: its name, the small print under it, what is planned, what was seen.
    left, right
        The points under the table, side by side; the headings of the right side count as points.
    """

    title: str
    verdict: str
    footer: str
    facts: Sequence[tuple[str, str]]
    rows: Sequence[tuple[str, Sequence[str], str, str]]
    left: Sequence[str]
    right: Sequence[str]


def height(texts: Texts, points: float) -> float:
    """Estimate how high a sheet becomes with letters of a size [pt]."""
    wide = WIDTH / points  # in letters' heights, as all that follows
    told = _lines(texts.title, wide / 1.45, BOLD) * 1.45 * 1.15
    told += _lines(texts.verdict, wide / 1.15 - 1.2, BOLD) * 1.15 * LINE + 1.2
    told += (_flowing(texts.facts, wide) * LINE + 0.6) if texts.facts else 0.0
    told += _heading() + LINE + 0.6
    told += sum(_row(row, wide) for row in texts.rows)
    half = (wide - 1.6) / 2 - 1.1
    told += max(_points(texts.left, half), _points(texts.right, half) + _heading()) + _heading()
    told += 3.2 + LINE * _lines("Explained to me and received, date", (wide - 2.8) / 3)
    told += 0.7 + _lines(texts.footer, wide / 0.82) * 0.82 * LINE
    return told * points


def fits(texts: Texts, points: float) -> bool:
    """Return whether the sheet stands on one page with letters of a size [pt]."""
    return height(texts, points) <= SPARE * HEIGHT


def _heading() -> float:
    return LINE + 1.1


def _lines(text: str, wide: float, letter: float = LETTER) -> int:
    """Estimate the lines of a text; a word that does not fit any more leaves some of a line empty."""
    room = max(1.0, wide / letter - 2)
    return max(1, ceil(len(text) / room))


def _flowing(facts: Sequence[tuple[str, str]], wide: float) -> int:
    """Estimate the lines of facts that stand one behind the other as far as they fit."""
    lines, used = 1, 0.0
    for label, value in facts:
        own = (len(label) + len(value)) * LETTER + 0.4
        if used and used + own > wide:
            lines, used = lines + 1, 0.0
        lines += int(own // wide)
        used += own % wide + 1.6
    return lines


def _row(row: tuple[str, Sequence[str], str, str], wide: float) -> float:
    name, small, planned, seen = row
    first, second, third = (share * wide - 0.5 for share in COLUMNS)
    head = _lines(name, first, BOLD) * LINE + sum(_lines(each, first / SMALL) * SMALL * LINE for each in small)
    return max(head, _lines(planned, second) * LINE, _lines(seen, third) * LINE) + 0.65


def _points(points: Sequence[str], wide: float) -> float:
    return sum(_lines(each, wide) for each in points) * LINE + 0.3
