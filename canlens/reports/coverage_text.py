"""Coverage text: which faults a recording with a plan's exercises would show → a table for the console."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports.layout import Page

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.rehearsal.coverage import Covered

HEAD = ("fault", "built in", "shown", "by meter", "named")


def coverage_text(title: str, covered: Sequence[Covered], *, encoding: str = "utf-8") -> str:
    """Return the table of all faults that the plan can have, and what it means.

    Parameters
    ----------
    title
        Of the plan.
    covered
        What became of each fault.
    encoding
        What the console can show.
    """
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
    """Return the answer in a sentence."""
    possible = [one for one in covered if one.subjects]
    shown = sum(one.shown == len(one.subjects) for one in possible)
    return f"{title}: a recording with these exercises shows {shown} of {len(possible)} kinds of fault every time."
