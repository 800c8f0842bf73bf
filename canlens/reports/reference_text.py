"""Reference text: manual pages of checks and causes, and which faults a recording would show."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from canlens.reports.layout import Page

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.rehearsal.coverage import Covered


INDENT = 4
"""Columns that the text stands behind its heading."""


def manual_text(manual: str, *, encoding: str = "utf-8") -> str:
    """Write a manual page: a title line, then headings with indented text.

    Lines of one paragraph are joined and wrapped anew.
    """
    page = Page(encoding)
    title, _, rest = manual.strip().partition("\n")
    page.paragraph(title)
    for indented, lines in groupby(rest.split("\n"), key=lambda line: line.startswith(" ")):
        text = " ".join(line.strip() for line in lines).strip()
        if text and not indented:
            page.gap()
        if text:
            page.paragraph(text, first=" " * INDENT if indented else "", indent=INDENT if indented else 0)
    return page.text()


def catalogue_text(title: str, manuals: dict[str, str], *, encoding: str = "utf-8") -> str:
    """Write the names of checks or causes, each with the first line of its page."""
    page = Page(encoding)
    page.paragraph(title)
    firsts = {name: manual.strip().partition("\n")[0] for name, manual in manuals.items()}
    page.facts([(name, first.removeprefix(f"{name}:").strip()) for name, first in firsts.items()], indent=2)
    return page.text()


# Coverage text: which faults a recording with a plan's exercises would show → a table for the console.


HEAD = ("fault", "built in", "shown", "by meter", "named")


def coverage_text(title: str, covered: Sequence[Covered], *, encoding: str = "utf-8") -> str:
    """Return the table of all faults that a plan can have, and what it means."""
    page = Page(encoding)
    page.paragraph(_answer(title, covered))
    page.heading("Faults that were rehearsed")
    rows = [
        (one.cause, *(str(number) for number in (len(one.subjects), one.shown, one.measured, one.named)))
        for one in covered
        if one.subjects
    ]
    page.table(HEAD, rows)
    page.gap()
    page.paragraph(
        "Built in: how often, into different outputs, controls or nodes. Shown: the check of the recording with its "
        "marks says anything that it does not say of a healthy install. By meter: the recording shows nothing, the "
        "readings do. Named: the right cause stands first."
    )
    silent = [one.cause for one in covered if one.subjects and one.shown < len(one.subjects)]
    if silent:
        page.gap()
        page.paragraph(", ".join(silent) + ".", first="Not always shown by the recording:", indent=2)
    impossible = [one.cause for one in covered if not one.subjects]
    if impossible:
        page.gap()
        page.paragraph(", ".join(impossible) + ".", first="This plan has nothing that could have:", indent=2)
    return page.text()


def _answer(title: str, covered: Sequence[Covered]) -> str:
    possible = [one for one in covered if one.subjects]
    shown = sum(one.shown == len(one.subjects) for one in possible)
    return f"{title}: a recording with these exercises shows {shown} of {len(possible)} kinds of fault every time."
