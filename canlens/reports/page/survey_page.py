"""A surveyed bus as a page: whether it is well first, then everything that rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.picturing import drawn_recording
from canlens.measures.picturing.quoting import quotes
from canlens.reports import phrases, survey_text
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import (
    Row,
    Step,
    Verdict,
    cause_views,
    file_name,
    finding_views,
    leading_views,
    likely_step,
    recording_subtitle,
    recording_view,
)
from canlens.reports.phrases import NEVER_SHOWN, likely_cause
from canlens.reports.pictures import survey_pictures
from canlens.reports.survey_text import leading_finding, proviso, survey_sentence
from canlens.reports.text_sections import by_severity

if TYPE_CHECKING:
    from canlens.overview import Survey
    from canlens.reports.pictures import Picture
    from canlens.results.check import LinkState
    from canlens.results.finding import Finding
    from canlens.results.survey import SurveyBusResult, SurveyResult, SurveyVerdict
    from canlens.trace import Trace


STATES: dict[SurveyVerdict, LinkState] = {
    "no-failure-found": "seen",
    "failure-found": "broken",
    "too-poor": "cannot-tell",
}
SECTIONS = (
    ("answer", "The answer"),
    ("timeline", "Time line"),
    ("load", "Load"),
    ("errors", "Errors"),
    ("identifiers", "Identifiers"),
    ("sleep", "Awake and asleep"),
    ("untested", "Not tested"),
    ("recording", "Recording"),
    ("causes", "Causes"),
    ("findings", "Findings"),
    ("cautions", "Cautions"),
)
IDENTIFIER_HEADINGS = (
    "identifier",
    "message",
    "sender",
    "frames",
    "interval median, ms",
    "longest, ms",
    "declared, ms",
    "how it is sent",
    "bytes",
    "load",
)
IDENTIFIER_NUMBERS = (3, 4, 5, 6, 8, 9)


def survey_page(overview: Survey, trace: Trace | None = None, *, channel: str | None = None) -> str:
    """Write a surveyed bus as one HTML file.

    Parameters
    ----------
    overview
        The survey.
    trace
        Its recording; without it the frames behind a finding are not quoted, and the load is not drawn.
    channel
        As it was given for the survey.
    """
    result, database = overview.result, overview.evidence.plan.database
    findings = by_severity(result.findings)
    quoted = {
        number: tuple(quotes(trace, database, each.evidence.lines).values())
        for number, each in enumerate(findings, 1)
        if trace is not None and each.evidence.lines
    }
    return assembled(
        "survey.html",
        _pictures(overview, trace, channel),
        kind="Survey of a bus",
        title=file_name(result.recording),
        subtitle=recording_subtitle(result.recording),
        sections=[each for each in SECTIONS if each[0] != "causes" or result.causes],
        **_answer(result, findings),
        short=_short(result),
        loads=_loads(result),
        senders=[
            Row((name or "not in the database", phrases.percent(load))) for name, load in result.bus.by_sender.items()
        ],
        errors=_errors(result),
        states=[
            Row((phrases.seconds(each.time_s), each.state, _known(each.tec), _known(each.rec)))
            for each in result.errors.states
        ],
        identifier_headings=IDENTIFIER_HEADINGS,
        identifier_numbers=IDENTIFIER_NUMBERS,
        identifiers=_identifiers(result),
        sleep=survey_text.sleep_sentences(result.quiet),
        open_ends=[*_untold_errors(result), NEVER_SHOWN],
        recordings=[recording_view(result.recording)],
        causes=cause_views(result.causes),
        findings=finding_views(findings, quoted, several=False),
        cautions=phrases.BUS_CAUTIONS,
    )


def _pictures(overview: Survey, trace: Trace | None, channel: str | None) -> tuple[Picture, ...]:
    if not overview.result.recording.duration_s > 0:
        return ()
    return survey_pictures(overview, drawn_recording(overview.evidence, trace, channel=channel))


def _answer(result: SurveyResult, findings: list[Finding]) -> dict[str, object]:
    """Return the first screen."""
    first = leading_finding(result, findings)
    likely = likely_cause(result.causes)
    steps = [] if likely is None else [likely_step(likely)]
    if first is not None:
        steps.append(Step("next", "Do next", phrases.sentence(first.next_step)))
        if first.caution:
            steps.append(Step("caution", "Caution", first.caution))
    return {
        "verdict": Verdict.of(STATES[result.verdict], survey_sentence(result, findings)),
        "lead": phrases.sentence(first.claim) if first is not None else proviso(result),
        "steps": steps,
        "leading": leading_views(findings),
    }


def _short(result: SurveyResult) -> list[tuple[str, str]]:
    """Return the bus in a few lines."""
    load = result.bus.bus_load
    rate = "unknown" if result.bus.bit_rate is None else f"{result.bus.bit_rate} bit/s, {result.bus.bit_rate_source}"
    return [
        ("bit rate", rate),
        ("bus load", phrases.percent(load)),
        (
            "error frames",
            survey_text.no_error_words(result.errors) if not result.errors.frames else _error_number(result),
        ),
        ("identifiers", str(len(result.identifiers))),
        ("channels", phrases.listed(result.recording.channels) or "none named"),
        ("quality of the recording", "; ".join([result.recording.quality, *result.recording.quality_reasons])),
    ]


def _untold_errors(result: SurveyResult) -> list[str]:
    if result.errors.frames or result.errors.recorded == "yes":
        return []
    return [f"Errors: {survey_text.no_error_words(result.errors)}"]


def _error_number(result: SurveyResult) -> str:
    return f"{result.errors.frames} in {phrases.counted(len(result.errors.episodes), 'episode')}"


def _loads(result: SurveyResult) -> list[dict[str, object]]:
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    return [{"title": name, "rows": _load_rows(bus)} for name, bus in buses.items()]


def _load_rows(bus: SurveyBusResult) -> list[tuple[str, str]]:
    if bus.bit_rate is None:
        return [("unknown", f"The bit rate is not known: give it with --bit-rate. Why: {bus.bit_rate_because}")]
    return [
        ("whole recording", phrases.percent(bus.bus_load)),
        ("bit rate", f"{bus.bit_rate} bit/s, {bus.bit_rate_source}"),
        ("parts", survey_text.window_words(bus)),
        ("counted", f"every stuff bit, and the {bus.intermission_bits} bits of intermission after each frame"),
        ("formulas", survey_text.formula_words(bus)),
        ("with errors", survey_text.with_error_words(bus)),
        ("mind", bus.note),
    ]


def _errors(result: SurveyResult) -> list[tuple[str, str]]:
    errors = result.errors
    if not errors.frames:
        return [("error frames", survey_text.no_error_words(errors))]
    return [
        ("error frames", _error_number(result)),
        ("classes", survey_text.count_words(errors.classes)),
        ("places in the frame", survey_text.count_words(errors.places)),
        ("by sender", survey_text.count_words({name: round(value, 1) for name, value in errors.by_sender.items()})),
    ]


def _known(number: int | None) -> str:
    return "–" if number is None else str(number)


def _identifiers(result: SurveyResult) -> list[Row]:
    several = len({each.channel for each in result.identifiers}) > 1
    rows = []
    for each in survey_text.ordered_identifiers(result):
        interval = each.interval
        rows.append(
            Row(
                (
                    f"{each.channel} {each.number}" if several else each.number,
                    each.message_name or "–",
                    each.sender or "–",
                    each.frames,
                    survey_text.short_milliseconds(interval.median if interval else None),
                    survey_text.short_milliseconds(interval.max if interval else None),
                    survey_text.short_milliseconds(each.declared_s),
                    "remote" if each.is_remote else survey_text.KINDS[each.kind],
                    each.lengths.usual,
                    "–" if each.bus_load is None else phrases.percent(each.bus_load),
                ),
                tuple(survey_text.identifier_remarks(each)),
            )
        )
    return rows
