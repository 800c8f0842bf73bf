"""Text of a survey: what a recording says of its bus, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.facts import (
    error_facts,
    identifier_rows,
    known_words,
    load_facts,
    no_error_words,
    sleep_sentences,
    unknown_load,
)
from canlens.reports.headlines import survey_answer
from canlens.reports.layout import Page
from canlens.reports.text_sections import (
    add_answer,
    add_causes,
    add_cautions,
    add_findings,
    add_more,
    add_recording,
    by_severity,
)

if TYPE_CHECKING:
    from canlens.nouns.messages import QuietEvidence
    from canlens.results.survey import SurveyBusResult, SurveyResult


# Sections about sleep: when the bus was awake, who woke it, and how it fell asleep after the vehicle.


WAKES_SHOWN = 10
"""Sentences that are printed; the JSON holds all."""


def add_sleep(page: Page, quiet: QuietEvidence) -> None:
    """Add when the bus was awake, who spoke last and who woke it."""
    page.heading("AWAKE AND ASLEEP")
    head, *rest = sleep_sentences(quiet)
    page.paragraph(head)
    if quiet.last is not None and not quiet.wakes:
        page.paragraph(rest.pop(0))
    for each in rest[:WAKES_SHOWN]:
        page.paragraph(each, first="*", indent=2)
    add_more(page, WAKES_SHOWN, len(rest), indent=2)


# Sections of the text of a survey: bus load, errors, identifiers.


BAR = 40
"""Characters that stand for a load of 100 %."""
SENDERS_SHOWN = 12
STATES_SHOWN = 12
IDENTIFIERS_SHOWN = 200
"""Rows that are printed; the JSON holds all."""


def add_loads(page: Page, result: SurveyResult) -> None:
    """Add how full the bus was, what formulas would have said, and who took how much of it."""
    page.heading("BUS LOAD")
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    for number, (name, bus) in enumerate(buses.items()):
        if number:
            page.gap()
        if name:
            page.paragraph(f"{name}:")
        _add_load(page, bus)


def _add_load(page: Page, bus: SurveyBusResult) -> None:
    if unknown := unknown_load(bus):
        page.paragraph(unknown)
    elif bus.bus_load is not None:
        page.paragraph(f"{_bar(bus.bus_load)} {wording.percent(bus.bus_load)} over the whole recording")
        page.facts([*load_facts(bus), ("by sender", sender_words(bus.by_sender))], indent=2)


def _bar(load: float) -> str:
    """Draw a load; above 100 % the bar is full."""
    full = min(BAR, round(load * BAR))
    return f"|{'#' * full}{'.' * (BAR - full)}|"


def sender_words(loads: dict[str, float]) -> str:
    """Say who took how much of the bus."""
    told = (f"{name or 'not in the database'} {wording.percent(load)}" for name, load in loads.items())
    return wording.some(told, most=SENDERS_SHOWN, joint="; ")


def add_errors(page: Page, result: SurveyResult) -> None:
    """Add what the recording says of errors; not recorded is told apart from none."""
    page.heading("ERRORS")
    errors = result.errors
    if not errors.frames:
        page.paragraph(no_error_words(errors))
        return
    page.facts(error_facts(errors), indent=2)
    if errors.states:
        page.gap()
        rows = [
            (wording.seconds(each.time_s), each.state, *(known_words(count) for count in (each.tec, each.rec)))
            for each in errors.states[:STATES_SHOWN]
        ]
        page.table(("at s", "recorder's controller", "tec", "rec"), rows, indent=2)
        add_more(page, STATES_SHOWN, len(errors.states), indent=2)


def add_identifiers(page: Page, result: SurveyResult) -> None:
    """Add a row for each identifier: who, how many, how often, how much."""
    page.heading("IDENTIFIERS")
    rows = identifier_rows(result)
    if not rows:
        page.paragraph("None.")
        return
    headings = ("identifier", "name / sender", "frames", "median/max", "cycle", "kind", "load")
    page.paragraph(
        "Median/max: measured intervals in ms. Cycle: what the database declares, in ms. Load: with stuff bits and "
        "intermission."
    )
    shown = rows[:IDENTIFIERS_SHOWN]
    page.table(headings, [_row(*cells) for cells, _ in shown], remarks=[remarks for _, remarks in shown])
    add_more(page, IDENTIFIERS_SHOWN, len(rows))


def _row(where: str, message: str, sender: str, frames: str, median: str, longest: str, *rest: str) -> tuple[str, ...]:
    cycle, kind, _, load = rest
    who = " / ".join(each for each in (message, sender) if each != wording.NONE) or wording.NONE
    interval = f"{median} / {longest}" if median != wording.NONE else wording.NONE
    return where, who, frames, interval, cycle, kind, load


# Text of a survey: what a recording says of its bus, as a page of 80 columns, the answer first.


def survey_text(result: SurveyResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a survey as plain text; parameters as those of :func:`.check_text`."""
    page = Page(encoding)
    findings = by_severity(result.findings)
    add_answer(page, survey_answer(result, findings))
    if findings:
        add_findings(page, findings, recordings=1)
    add_causes(page, result.causes)
    add_loads(page, result)
    add_errors(page, result)
    add_identifiers(page, result)
    add_sleep(page, result.quiet)
    page.heading("RECORDING")
    add_recording(page, result.recording)
    add_cautions(page, phrases.BUS_CAUTIONS)
    return page.text()
