"""A comparison of two recordings as a page: what changed first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.comparison_text import DIRECTIONS
from canlens.reports.facts import change_chance, compared_facts, file_name, not_compared
from canlens.reports.headlines import comparison_answer
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import answer_view, cause_views, recording_view, section_links
from canlens.reports.pictures import comparison_pictures

if TYPE_CHECKING:
    from canlens.nouns.pictures import DrawnComparison
    from canlens.results.compare import Change, ComparisonResult


SECTIONS = "answer findings timeline untested causes recording cautions"


def comparison_page(result: ComparisonResult, drawn: DrawnComparison) -> str:
    """Write a comparison as one HTML file; ``drawn`` comes from :meth:`.Comparison.drawn`."""
    return assembled(
        "comparison.html",
        comparison_pictures(drawn),
        kind="Before and after a change of the wiring",
        title=f"{file_name(result.before)} and {file_name(result.after)}",
        subtitle="",
        sections=section_links(
            SECTIONS,
            causes=result.causes,
            findings="Changes",
            timeline="Before and after",
            untested="Not compared",
            recording="Recordings",
        ),
        **answer_view(comparison_answer(result)),
        short=compared_facts(result),
        changes=[_change(number, each) for number, each in enumerate(result.changes, 1)],
        not_compared=[{"what": what, "needed": needed} for what, needed in not_compared(result)],
        causes=cause_views(result.causes),
        recordings=[recording_view(result.before, "Before"), recording_view(result.after, "After")],
        cautions=phrases.BUS_CAUTIONS,
    )


def _change(number: int, change: Change) -> dict[str, object]:
    """Return one change."""
    chance = "" if change.p is None else change_chance(change.p)
    explained = f"explained by {change.explained_by}" if change.explained_by else ""
    told = "; ".join(each for each in (explained, chance, f"measured: {change.quantity}", change.change) if each)
    return {
        "number": number,
        "kind": wording.CHANGES[change.change][0],
        "direction": "explained" if change.explained_by else change.direction,
        "word": "explained" if change.explained_by else DIRECTIONS[change.direction] or "changed",
        "subject": wording.listed(change.subject),
        "sentence": wording.sentence(change.sentence),
        "chance": told[:1].upper() + told[1:],
        "before": _value(change.before, change.unit),
        "after": _value(change.after, change.unit),
        "size": _size(change),
    }


def _value(value: float | str | None, unit: str) -> str:
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    if unit == "ratio":
        return wording.percent(value)
    if unit == "s":
        return wording.short_time(value)
    return f"{value:.4g} {unit}".strip()


def _size(change: Change) -> str:
    if change.size is None:
        return ""
    return f"{change.size:g} bits" if change.change == "payload-bits" else f"{change.size * 100:+.3g} %"
