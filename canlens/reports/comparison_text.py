"""Text of a comparison: what changed between two recordings, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.facts import change_chance, compared_facts, not_compared
from canlens.reports.headlines import comparison_answer
from canlens.reports.layout import Page
from canlens.reports.text_sections import add_answer, add_causes, add_cautions, add_more

if TYPE_CHECKING:
    from canlens.results.compare import Change, ComparisonResult


CHANGES_SHOWN = 40
"""Changes that are printed; the JSON holds all."""


def comparison_text(result: ComparisonResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a comparison as plain text; parameters as those of :func:`.check_text`."""
    page = Page(encoding)
    add_answer(page, comparison_answer(result), lead=result.verdict == "no-change-seen")
    _add_changes(page, "CHANGES, the weightiest first", [each for each in result.changes if not each.explained_by])
    _add_changes(page, "CHANGES THAT ARE EXPLAINED", [each for each in result.changes if each.explained_by])
    add_causes(page, result.causes)
    _add_not_compared(page, result)
    page.heading("RECORDINGS")
    page.facts(compared_facts(result), indent=2)
    add_cautions(page, phrases.BUS_CAUTIONS)
    return page.text()


def _add_changes(page: Page, title: str, changes: list[Change]) -> None:
    if not changes:
        return
    page.heading(title)
    for number, each in enumerate(changes[:CHANGES_SHOWN], 1):
        told = [DIRECTIONS[each.direction]] if not each.explained_by else [f"Explained by {each.explained_by}"]
        if each.p is not None:
            told.append(change_chance(each.p))
        line = "; ".join(part for part in told if part)
        sentences = [
            wording.sentence(each.sentence),
            *([wording.sentence(wording.capital(line))] if line else []),
        ]
        page.paragraph(" ".join(sentences), first=f"{number}.", indent=4)
    add_more(page, CHANGES_SHOWN, len(changes), indent=4)


DIRECTIONS = {"better": "better", "worse": "worse", "neither": ""}


def _add_not_compared(page: Page, result: ComparisonResult) -> None:
    page.heading("NOT COMPARED")
    if not result.not_compared:
        page.paragraph("Everything that can be compared was.")
    for what, needed in not_compared(result):
        page.paragraph(what, first="*", indent=2)
        if needed:
            page.paragraph(needed, first="  Needed:", indent=4)
