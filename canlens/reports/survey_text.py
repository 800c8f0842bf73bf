"""Text of a survey: what a recording says of its bus, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.answers import survey_answer
from canlens.reports.facts import error_facts, load_facts, no_error_words, sleep_sentences, unknown_load
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
    from canlens.results.survey import (
        IdentifierResult,
        QuietResult,
        SurveyBusResult,
        SurveyResult,
    )


# Sections about sleep: when the bus was awake, who woke it, and how it fell asleep after the vehicle.


WAKES_SHOWN = 10
"""Sentences that are printed; the JSON holds all."""


def add_sleep(page: Page, quiet: QuietResult) -> None:
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
    rows = ordered_identifiers(result)
    if not rows:
        page.paragraph("None.")
        return
    several = len({each.channel for each in rows}) > 1
    headings = ("identifier", "name / sender", "frames", "median/max", "cycle", "kind", "load")
    page.paragraph(
        "Median/max: measured intervals in ms. Cycle: what the database declares, in ms. Load: with stuff bits and "
        "intermission."
    )
    page.table(
        headings,
        [_row(each, several=several) for each in rows[:IDENTIFIERS_SHOWN]],
        remarks=[identifier_remarks(each) for each in rows[:IDENTIFIERS_SHOWN]],
    )
    add_more(page, IDENTIFIERS_SHOWN, len(rows))


def known_words(number: int | None) -> str:
    """Say a count that may not have been told."""
    return wording.NONE if number is None else str(number)


def ordered_identifiers(result: SurveyResult) -> list[IdentifierResult]:
    """Sort identifiers by channel, length and number."""
    return sorted(result.identifiers, key=lambda each: (each.channel, each.is_extended, int(each.identifier, 16)))


def _row(each: IdentifierResult, *, several: bool) -> tuple[str, ...]:
    where = f"{each.channel} {each.identifier}" if several else each.identifier
    who = " / ".join(part for part in (each.message, each.sender) if part) or "–"
    interval = each.interval_s
    return (
        where,
        who,
        str(each.frames),
        f"{wording.milliseconds(interval.median)} / {wording.milliseconds(interval.max)}" if interval else "–",
        wording.milliseconds(each.cycle_time_s),
        "remote" if each.is_remote else wording.MESSAGE_KINDS[each.kind],
        "–" if each.bus_load is None else wording.percent(each.bus_load),
    )


def identifier_remarks(each: IdentifierResult) -> list[str]:
    """Return what is odd of an identifier; nothing where all is usual."""
    told = []
    if each.gaps:
        told.append(f"{wording.counted(each.gaps, 'gap')}, {wording.counted(each.missed, 'frame')} missing")
    if each.stopped_s is not None:
        told.append(f"stopped at {wording.seconds(each.stopped_s)} s")
    if each.started_s is not None:
        told.append(f"began at {wording.seconds(each.started_s)} s")
    if each.counter and (each.counter.skipped or each.counter.repeated):
        skipped, stood = wording.counted(each.counter.skipped, "time"), wording.counted(each.counter.repeated, "time")
        told.append(f"its counter skipped {skipped}, stood still {stood}")
    if len(each.payload_lengths) > 1:
        told.append(f"payload lengths {', '.join(each.payload_lengths)}")
    if each.two_senders:
        told.append("two senders")
    return [wording.sentence("; ".join(told))] if told else []


# Text of a survey: what a recording says of its bus, as a page of 80 columns, the answer first.


def survey_text(result: SurveyResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a survey as plain text.

    Parameters
    ----------
    result
        What the survey found.
    encoding
        What the console can show; signs it lacks are replaced before the lines are wrapped.

    Returns
    -------
    str
        Lines of at most 80 columns with a newline at the end. The first one answers whether the bus is well; then
        come what is wrong and what to do next.
    """
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
