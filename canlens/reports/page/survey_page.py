"""A surveyed bus as a page: whether it is well first, then everything that rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.facts import (
    bit_rate_words,
    channel_words,
    error_facts,
    file_name,
    identifier_rows,
    known_words,
    load_facts,
    no_error_words,
    quality_words,
    recording_words,
    sleep_sentences,
    unknown_load,
)
from canlens.reports.headlines import survey_answer
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import (
    RHYTHM_HEADINGS,
    Row,
    answer_view,
    cause_views,
    finding_views,
    leading_views,
    recording_view,
    section_links,
)
from canlens.reports.phrases import NEVER_SHOWN
from canlens.reports.pictures import survey_pictures
from canlens.reports.text_sections import by_severity

if TYPE_CHECKING:
    from canlens.nouns.pictures import Drawn
    from canlens.overview import Survey
    from canlens.reports.facts import Facts
    from canlens.results.survey import SurveyBusResult, SurveyResult


SECTIONS = "answer timeline load errors identifiers sleep untested recording causes findings cautions"
IDENTIFIER_HEADINGS = ("identifier", "message", "sender", "frames", *RHYTHM_HEADINGS, "bytes", "load")
IDENTIFIER_NUMBERS = (3, 4, 5, 6, 8, 9)


def survey_page(overview: Survey, drawn: Drawn) -> str:
    """Write a surveyed bus as one HTML file.

    Parameters
    ----------
    overview
        The survey.
    drawn
        What the page shows besides, from :meth:`.Survey.drawn`.
    """
    result = overview.result
    findings = by_severity(result.findings)
    return assembled(
        "survey.html",
        survey_pictures(drawn) if result.recording.duration_s > 0 else (),
        kind="Survey of a bus",
        title=file_name(result.recording),
        subtitle=recording_words(result.recording),
        sections=section_links(SECTIONS, causes=result.causes),
        **answer_view(survey_answer(result, findings)),
        leading=leading_views(findings),
        short=_short(result),
        loads=[
            {"title": name, "rows": _load_rows(bus)}
            for name, bus in (result.buses if len(result.buses) > 1 else {"": result.bus}).items()
        ],
        senders=[
            Row.of(name or "not in the database", wording.percent(load)) for name, load in result.bus.by_sender.items()
        ],
        errors=error_facts(result.errors),
        states=[
            Row.of(wording.seconds(each.time_s), each.state, known_words(each.tec), known_words(each.rec))
            for each in result.errors.states
        ],
        identifier_headings=IDENTIFIER_HEADINGS,
        identifier_numbers=IDENTIFIER_NUMBERS,
        identifiers=[Row(cells, tuple(remarks)) for cells, remarks in identifier_rows(result)],
        sleep=sleep_sentences(result.quiet),
        open_ends=[
            *(
                []
                if result.errors.frames or result.errors.recorded == "yes"
                else [f"Errors: {no_error_words(result.errors)}"]
            ),
            NEVER_SHOWN,
        ],
        recordings=[recording_view(result.recording)],
        causes=cause_views(result.causes),
        findings=finding_views(findings, drawn.quotes, several=False),
        cautions=phrases.BUS_CAUTIONS,
    )


def _short(result: SurveyResult) -> list[tuple[str, str]]:
    """Return the bus in a few lines."""
    errors = result.errors
    return [
        ("bit rate", bit_rate_words(result.bus)),
        ("bus load", wording.percent(result.bus.bus_load)),
        error_facts(errors)[0],
        ("identifiers", str(len(result.identifiers))),
        ("channels", channel_words(result.recording)),
        ("quality of the recording", quality_words(result.recording)),
    ]


def _load_rows(bus: SurveyBusResult) -> Facts:
    if unknown := unknown_load(bus):
        return [("unknown", unknown)]
    return [("whole recording", wording.percent(bus.bus_load)), *load_facts(bus)]
