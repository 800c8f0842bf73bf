"""Manual pages: the docstring of a check or a cause, wrapped for the console."""

from __future__ import annotations

from itertools import groupby

from canlens.reports.layout import Page

INDENT = 4
"""Columns that the text stands behind its heading."""


def manual_text(manual: str, *, encoding: str = "utf-8") -> str:
    """Write a manual page: a title line, then headings with indented text.

    Parameters
    ----------
    manual
        As in the file of the check or cause. Indented lines belong to the heading above them; lines of one
        paragraph are joined and wrapped anew.
    encoding
        What the console can show.
    """
    page = Page(encoding)
    title, _, rest = manual.strip().partition("\n")
    page.paragraph(title)
    for indented, lines in groupby(rest.split("\n"), key=_is_indented):
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


def _is_indented(line: str) -> bool:
    return line.startswith(" ")
