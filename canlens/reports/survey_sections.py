"""Sections of the text of a survey: bus load, errors, identifiers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import words

if TYPE_CHECKING:
    from canlens.reports.layout import Page
    from canlens.survey_results import (
        ErrorsResult,
        IdentifierResult,
        SurveyBusResult,
        SurveyResult,
    )

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
    if bus.bit_rate is None:
        page.paragraph(
            words.sentence(f"Unknown, since the bit rate is: give it with --bit-rate. Why: {bus.bit_rate_because}")
        )
        return
    if bus.bus_load is None:
        page.paragraph("Unknown, since the recording has no length.")
        return
    page.paragraph(f"{_bar(bus.bus_load)} {words.percent(bus.bus_load)} over the whole recording")
    page.facts(
        [
            ("bit rate", f"{bus.bit_rate} bit/s, {bus.bit_rate_source}"),
            ("parts", window_words(bus)),
            ("counted", f"every stuff bit, and the {bus.intermission_bits} bits of intermission after each frame"),
            ("formulas", formula_words(bus)),
            ("with errors", with_error_words(bus)),
            ("by sender", sender_words(bus.by_sender)),
            ("mind", bus.note),
        ],
        indent=2,
    )


def _bar(load: float) -> str:
    """Draw a load; above 100 % the bar is full."""
    full = min(BAR, round(load * BAR))
    return f"|{'#' * full}{'.' * (BAR - full)}|"


def window_words(bus: SurveyBusResult) -> str:
    """Say how full equal parts of the recording were."""
    windows = ", ".join(
        f"{percent} % of them below {words.percent(value)}" for percent, value in bus.percentiles.items()
    )
    return f"of {bus.window_s:g} s: {windows}; the fullest {words.percent(bus.bus_load_peak)}"


def formula_words(bus: SurveyBusResult) -> str:
    """Say what closed formulas would have told instead of the counted load; nothing where they were not used."""
    if bus.formulas is None:
        return ""
    return (
        f"would have said {words.percent(bus.formulas.without_stuffing)} without stuff bits and "
        f"{words.percent(bus.formulas.worst_case)} at the worst"
    )


def with_error_words(bus: SurveyBusResult) -> str:
    """Say the load with the error frames in it; nothing where there are none."""
    found = bus.with_errors
    if found is None or found.greatest == bus.bus_load:
        return ""
    least, greatest = words.percent(found.least), words.percent(found.greatest)
    return (
        f"{least if least == greatest else f'{least} to {greatest}'}, each error frame counted with 14 to 20 bits "
        "and intermission; the destroyed frame before it is not in the recording"
    )


def sender_words(loads: dict[str, float]) -> str:
    """Say who took how much of the bus."""
    rows = list(loads.items())
    told = [f"{name or 'not in the database'} {words.percent(load)}" for name, load in rows[:SENDERS_SHOWN]]
    if len(rows) > SENDERS_SHOWN:
        told.append(f"and {len(rows) - SENDERS_SHOWN} more")
    return "; ".join(told)


def add_errors(page: Page, result: SurveyResult) -> None:
    """Add what the recording says of errors; not recorded is told apart from none."""
    page.heading("ERRORS")
    errors = result.errors
    if not errors.frames:
        page.paragraph(no_error_words(errors))
        return
    page.facts(
        [
            ("error frames", f"{errors.frames} in {words.counted(errors.episodes, 'episode')}"),
            ("classes", count_words(errors.classes)),
            ("places", count_words(errors.places)),
            ("by sender", count_words({name: round(value, 1) for name, value in errors.by_sender.items()})),
        ],
        indent=2,
    )
    if errors.states:
        page.gap()
        counters = [
            ("–" if each.tec is None else str(each.tec), "–" if each.rec is None else str(each.rec))
            for each in errors.states
        ]
        rows = [
            (words.seconds(each.time_s), each.state, *pair)
            for each, pair in zip(errors.states[:STATES_SHOWN], counters, strict=False)
        ]
        page.table(("at s", "recorder's controller", "tec", "rec"), rows, indent=2)
        if len(errors.states) > STATES_SHOWN:
            page.paragraph(f"and {len(errors.states) - STATES_SHOWN} more; --json FILE holds all.", indent=2)


def no_error_words(errors: ErrorsResult) -> str:
    """Say what it means that there is no error frame."""
    if errors.recorded == "yes":
        return words.sentence(f"None – {_inside(errors.because)}")
    if errors.recorded == "no":
        return words.sentence(f"Not recorded – which is not the same as none: {_inside(errors.because)}")
    return words.sentence(f"None recorded – which is not the same as none: {_inside(errors.because)}")


def _inside(sentence: str) -> str:
    """Return a sentence as it stands inside another one: its first word in small letters, unless it is a name.

    Examples
    --------
    >>> _inside("No error records."), _inside("CAN says so.")
    ('no error records.', 'CAN says so.')
    """
    second = sentence[1:2]
    return sentence[:1].lower() + sentence[1:] if second.islower() or second == " " else sentence


def count_words(counts: dict[str, int] | dict[str, float]) -> str:
    """Say counts by name, without those that are 0."""
    return ", ".join(f"{name} ({count:g})" for name, count in counts.items() if count)


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
    if len(rows) > IDENTIFIERS_SHOWN:
        page.paragraph(f"and {len(rows) - IDENTIFIERS_SHOWN} more; --json FILE holds all.")


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
        f"{short_milliseconds(interval.median)} / {short_milliseconds(interval.max)}" if interval else "–",
        short_milliseconds(each.cycle_time_s),
        "remote" if each.is_remote else KINDS[each.kind],
        "–" if each.bus_load is None else words.percent(each.bus_load),
    )


KINDS = {"cyclic": "cyclic", "mixed": "both", "event-driven": "on event", "too-few": "too few"}


def short_milliseconds(seconds: float | None) -> str:
    """Say a time in ms, with a decimal where it is short."""
    if seconds is None:
        return "–"
    value = seconds * 1000
    return f"{value:.1f}" if value < 100 else f"{value:.0f}"  # noqa: PLR2004 – three figures are enough


def identifier_remarks(each: IdentifierResult) -> list[str]:
    """Return what is odd of an identifier; nothing where all is usual."""
    told = []
    if each.gaps:
        told.append(f"{words.counted(each.gaps, 'gap')}, {words.counted(each.missed, 'frame')} missing")
    if each.stopped_s is not None:
        told.append(f"stopped at {words.seconds(each.stopped_s)} s")
    if each.started_s is not None:
        told.append(f"began at {words.seconds(each.started_s)} s")
    if each.counter and (each.counter.skipped or each.counter.repeated):
        skipped, stood = words.counted(each.counter.skipped, "time"), words.counted(each.counter.repeated, "time")
        told.append(f"its counter skipped {skipped}, stood still {stood}")
    if len(each.payload_lengths) > 1:
        told.append(f"payload lengths {', '.join(each.payload_lengths)}")
    if each.two_senders:
        told.append("two senders")
    return [words.sentence("; ".join(told))] if told else []
