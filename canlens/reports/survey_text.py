"""Text of a survey: what a recording says of its bus, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import phrases
from canlens.reports.layout import Page
from canlens.reports.text_sections import add_causes, add_cautions, add_findings, add_recording, by_severity

if TYPE_CHECKING:
    from canlens.nouns.bus import ErrorLedger
    from canlens.nouns.messages import MessageEvidence, QuietEvidence, Speaker
    from canlens.results.check import RestResult
    from canlens.results.finding import Finding
    from canlens.results.survey import SurveyBusResult, SurveyResult


# Sections about sleep: when the bus was awake, who woke it, and how it fell asleep after the vehicle.


WAKES_SHOWN = 10
"""Sentences that are printed; the JSON holds all."""
COUNTERS = {
    "stood": "their counters went on by one, as if no time had passed",
    "ran": "their counters went on meanwhile, so frames were sent and not recorded",
    "unknown": "no counter tells what happened",
}


def add_sleep(page: Page, quiet: QuietEvidence) -> None:
    """Add when the bus was awake, who spoke last and who woke it."""
    page.heading("AWAKE AND ASLEEP")
    head, *rest = sleep_sentences(quiet)
    page.paragraph(head)
    if quiet.last is not None and not quiet.wakes:
        page.paragraph(rest.pop(0))
    for each in rest[:WAKES_SHOWN]:
        page.paragraph(each, first="*", indent=2)
    if len(rest) > WAKES_SHOWN:
        page.paragraph(f"and {len(rest) - WAKES_SHOWN} more; --json FILE holds all.", indent=2)


def sleep_sentences(quiet: QuietEvidence) -> list[str]:
    """Say when the bus was awake: who spoke last, then each wake and each moment in which all messages stayed away."""
    if quiet.last is None:
        return ["Nothing was heard."]
    told = [f"Last frame at {phrases.seconds(quiet.last_frame_s)} s, from {speaker_words(quiet.last)}."]
    if not quiet.wakes:
        told.append("The bus was awake all the time.")
    told += [
        f"Silent from {phrases.seconds(wake.silent_from_s)} s; woken at {phrases.seconds(wake.first.time_s)} s by "
        f"{speaker_words(wake.first)} (line {wake.first.line})."
        for wake in quiet.wakes
    ]
    return told + [
        f"All messages stayed away from {phrases.seconds(stop.from_s)} s to {phrases.seconds(stop.to_s)} s "
        f"(line {stop.line}): {COUNTERS[stop.counters]}."
        for stop in quiet.stops
    ]


def add_rest(page: Page, quiet: RestResult | None) -> None:
    """Add how the bus fell asleep after the control that keeps it awake; nothing where that was not seen."""
    facts = rest_facts(quiet)
    if facts:
        page.heading("AWAKE AND ASLEEP")
        page.facts(facts)


def rest_facts(quiet: RestResult | None) -> list[tuple[str, str]]:
    """Say how the bus fell asleep after the control that keeps it awake; nothing where that was not seen."""
    if quiet is None or quiet.off_s is None or quiet.last_frame_s is None:
        return []
    change = "none seen" if quiet.last_change_s is None else after_words(quiet.last_change_s, quiet.off_s)
    last = f"{after_words(quiet.last_frame_s, quiet.off_s)}, {quiet.last_message}"
    return [
        ("waking control off", f"at {phrases.seconds(quiet.off_s)} s"),
        ("last change of an output", change),
        ("last frame", f"{last} of {quiet.last_sender}" if quiet.last_sender else last),
        ("allowed", "" if quiet.allowed_s is None else f"frames for {quiet.allowed_s:g} s after it"),
    ]


def after_words(time_s: float, off_s: float) -> str:
    """Say a time by what it lies before or after another one."""
    if time_s < off_s:
        return f"{phrases.seconds(off_s - time_s)} s before it"
    return f"{phrases.seconds(time_s - off_s)} s after it"


def speaker_words(speaker: Speaker) -> str:
    """Say who sent a frame."""
    name = f"{speaker.message} ({speaker.number})" if speaker.message else speaker.number
    return f"{name}, {speaker.sender}" if speaker.sender else name


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
    if bus.bit_rate is None:
        page.paragraph(
            phrases.sentence(f"Unknown, since the bit rate is: give it with --bit-rate. Why: {bus.bit_rate_because}")
        )
        return
    if bus.bus_load is None:
        page.paragraph("Unknown, since the recording has no length.")
        return
    page.paragraph(f"{_bar(bus.bus_load)} {phrases.percent(bus.bus_load)} over the whole recording")
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
        f"{percent} % of them below {phrases.percent(value)}" for percent, value in bus.percentiles.items()
    )
    return f"of {bus.window_s:g} s: {windows}; the fullest {phrases.percent(bus.bus_load_peak)}"


def formula_words(bus: SurveyBusResult) -> str:
    """Say what closed formulas would have told instead of the counted load; nothing where they were not used."""
    if bus.formulas is None:
        return ""
    return (
        f"would have said {phrases.percent(bus.formulas.without_stuffing)} without stuff bits and "
        f"{phrases.percent(bus.formulas.worst_case)} at the worst"
    )


def with_error_words(bus: SurveyBusResult) -> str:
    """Say the load with the error frames in it; nothing where there are none."""
    found = bus.with_errors
    if found is None or found.greatest == bus.bus_load:
        return ""
    least, greatest = phrases.percent(found.least), phrases.percent(found.greatest)
    return (
        f"{least if least == greatest else f'{least} to {greatest}'}, each error frame counted with 14 to 20 bits "
        "and intermission; the destroyed frame before it is not in the recording"
    )


def sender_words(loads: dict[str, float]) -> str:
    """Say who took how much of the bus."""
    rows = list(loads.items())
    told = [f"{name or 'not in the database'} {phrases.percent(load)}" for name, load in rows[:SENDERS_SHOWN]]
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
            ("error frames", f"{errors.frames} in {phrases.counted(len(errors.episodes), 'episode')}"),
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
            (phrases.seconds(each.time_s), each.state, *pair)
            for each, pair in zip(errors.states[:STATES_SHOWN], counters, strict=False)
        ]
        page.table(("at s", "recorder's controller", "tec", "rec"), rows, indent=2)
        if len(errors.states) > STATES_SHOWN:
            page.paragraph(f"and {len(errors.states) - STATES_SHOWN} more; --json FILE holds all.", indent=2)


def no_error_words(errors: ErrorLedger) -> str:
    """Say what it means that there is no error frame."""
    if errors.recorded == "yes":
        return phrases.sentence(f"None – {_inside(errors.recorded_because)}")
    if errors.recorded == "no":
        return phrases.sentence(f"Not recorded – which is not the same as none: {_inside(errors.recorded_because)}")
    return phrases.sentence(f"None recorded – which is not the same as none: {_inside(errors.recorded_because)}")


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


def ordered_identifiers(result: SurveyResult) -> list[MessageEvidence]:
    """Sort identifiers by channel, length and number."""
    return sorted(result.identifiers, key=lambda each: (each.channel, each.is_extended, each.identifier))


def _row(each: MessageEvidence, *, several: bool) -> tuple[str, ...]:
    where = f"{each.channel} {each.number}" if several else each.number
    who = " / ".join(part for part in (each.message_name, each.sender) if part) or "–"
    interval = each.interval
    return (
        where,
        who,
        str(each.frames),
        f"{short_milliseconds(interval.median)} / {short_milliseconds(interval.max)}" if interval else "–",
        short_milliseconds(each.declared_s),
        "remote" if each.is_remote else KINDS[each.kind],
        "–" if each.bus_load is None else phrases.percent(each.bus_load),
    )


KINDS = {"cyclic": "cyclic", "mixed": "both", "event-driven": "on event", "too-few": "too few"}


def short_milliseconds(seconds: float | None) -> str:
    """Say a time in ms, with a decimal where it is short."""
    if seconds is None:
        return "–"
    value = seconds * 1000
    return f"{value:.1f}" if value < 100 else f"{value:.0f}"  # noqa: PLR2004 – three figures are enough


def identifier_remarks(each: MessageEvidence) -> list[str]:
    """Return what is odd of an identifier; nothing where all is usual."""
    told = []
    if len(each.gaps.seen):
        gaps, missed = phrases.counted(len(each.gaps.seen), "gap"), phrases.counted(each.gaps.missed, "frame")
        told.append(f"{gaps}, {missed} missing")
    if each.stopped_s is not None:
        told.append(f"stopped at {phrases.seconds(each.stopped_s)} s")
    if each.started_s is not None:
        told.append(f"began at {phrases.seconds(each.started_s)} s")
    skipped, stood = (len(each.counter.skipped), len(each.counter.repeated)) if each.counter else (0, 0)
    if skipped or stood:
        told.append(
            f"its counter skipped {phrases.counted(skipped, 'time')}, stood still {phrases.counted(stood, 'time')}"
        )
    if len(each.lengths.counts) > 1:
        told.append(f"payload lengths {', '.join(map(str, each.lengths.counts))}")
    if each.two_senders:
        told.append("two senders")
    return [phrases.sentence("; ".join(told))] if told else []


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
    _add_answer(page, result, findings)
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


def _add_answer(page: Page, result: SurveyResult, findings: list[Finding]) -> None:
    """Say whether the bus is well, what is wrong first of all, and what to do next."""
    page.paragraph(survey_sentence(result, findings))
    first = leading_finding(result, findings)
    if first is None:
        page.paragraph(proviso(result))
        return
    page.paragraph(phrases.sentence(first.claim))
    page.paragraph(phrases.sentence(first.next_step), first="Do next:", indent=2)
    if first.caution:
        page.paragraph(first.caution, first="Caution:", indent=2)


def leading_finding(result: SurveyResult, findings: list[Finding]) -> Finding | None:
    """Return the finding that stands under the answer; None where there are only notes."""
    weighty = [each for each in findings if each.severity != "note"]
    if result.verdict == "too-poor":
        weighty = [each for each in weighty if each.check == "poor-recording"] or weighty
    return weighty[0] if weighty else None


def survey_sentence(result: SurveyResult, findings: list[Finding]) -> str:
    """Answer the question whether the bus is well."""
    failures = sum(each.severity == "failure" for each in findings)
    warnings = sum(each.severity == "warning" for each in findings)
    if result.verdict == "too-poor":
        return "CANNOT TELL – the recording is too poor to judge the bus by."
    if failures:
        more = f" and {phrases.counted(warnings, 'warning')}" if warnings else ""
        return f"NOT WELL – {phrases.counted(failures, 'failure')}{more} on this bus."
    if warnings:
        return f"NO FAILURE FOUND – but {phrases.counted(warnings, 'warning')}; read on before you trust this bus."
    return "WELL – nothing wrong was found on this bus in this recording."


def proviso(result: SurveyResult) -> str:
    """Say what the good answer does not cover."""
    if result.errors.recorded != "yes":
        return (
            "Whether there were errors cannot be told: none were recorded, which is not the same as none. Wiring and "
            "terminating resistors no recording shows: measure them."
        )
    return "Wiring and terminating resistors no recording shows: measure them."
