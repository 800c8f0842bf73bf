"""Sections that text reports share: outputs, findings, causes, cautions, recording, bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import phrases
from canlens.reports.phrases import as_read, cause_name, untested

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.nouns.bus import BusResult, RecordingResult
    from canlens.reports.layout import Page
    from canlens.results.check import CheckResult, ControlResult, OutputResult
    from canlens.results.finding import Cause, Finding


# Sections that text reports share: the findings, the likely causes, the cautions.


LINES_SHOWN = 8
"""Line numbers printed for one finding; the JSON holds all that were kept."""


def add_cautions(page: Page, cautions: Sequence[str]) -> None:
    """Add the cautions, which stand last on every page."""
    page.heading("CAUTIONS")
    for caution in cautions:
        page.paragraph(caution, first="*", indent=2)


def by_severity(findings: tuple[Finding, ...]) -> list[Finding]:
    """Sort findings: failures first, what explains others before them, safety items before others.

    What is equal in all of these keeps its order, which is that of the catalogue.
    """
    weight = list(phrases.SEVERITIES)
    return sorted(
        findings,
        key=lambda finding: (
            weight.index(finding.severity),
            bool(finding.consequence_of),
            not finding.safety,
        ),
    )


def add_findings(page: Page, findings: list[Finding], *, recordings: int) -> None:
    """Add every finding: what was seen and where, what it does not prove, what to do next."""
    page.heading("FINDINGS, the worst first")
    if not findings:
        page.paragraph("None.")
    for number, finding in enumerate(findings, 1):
        if number > 1:
            page.gap()
        subject = f", {phrases.listed(finding.subject)}" if finding.subject else ""
        safety = ", safety item" if finding.safety else ""
        page.paragraph(f"{phrases.SEVERITIES[finding.severity]}{subject}{safety}", first=f"{number}.", indent=4)
        page.paragraph(finding.claim, first="", indent=4)
        page.facts(
            [
                ("Follows from", finding.consequence_of),
                ("Seen", _evidence(finding, several=recordings > 1)),
                ("Cannot tell", finding.cannot_tell),
                *_own_steps(finding),
                ("Goes away if", finding.would_change),
                ("More", f"canlens explain {finding.check}"),
            ],
            indent=4,
        )


def _own_steps(finding: Finding) -> list[tuple[str, str]]:
    """Return what to do about a finding; nothing where another finding explains it, whose step comes first."""
    if finding.consequence_of:
        return []
    return [("Do next", finding.next_step), ("Caution", finding.caution)]


def _evidence(finding: Finding, *, several: bool) -> str:
    """Say where a finding was seen: lines of the log file and times of the same frames."""
    evidence = finding.evidence
    if not evidence.lines and not evidence.times_s:
        return ""
    parts = []
    if evidence.lines:
        parts.append(_some("line", [str(line) for line in evidence.lines]))
    if evidence.times_s:
        parts.append(f"at {_some('', [phrases.seconds(time) for time in evidence.times_s])} s")
    where = "; ".join(parts)
    if several:
        where = f"recording {evidence.recording + 1}: {where}"
    return where


def _some(noun: str, values: list[str]) -> str:
    more = f" and {len(values) - LINES_SHOWN} more" if len(values) > LINES_SHOWN else ""
    label = f"{noun}{'s' if len(values) > 1 else ''} " if noun else ""
    return f"{label}{phrases.listed(values[:LINES_SHOWN])}{more}"


def add_causes(page: Page, causes: tuple[Cause, ...]) -> None:
    """Add the causes that the evidence speaks for, each with its next test; nothing where there are none."""
    if not causes:
        return
    page.heading("LIKELY CAUSES, the likeliest first")
    page.paragraph("Each by itself; two faults at once may both stand high.")
    for cause in as_read(causes):
        page.gap()
        page.paragraph(cause_name(cause), first=f"{cause.probability * 100:3.0f} %", indent=7)
        page.facts(
            [
                ("Because", "; ".join(cause.because)),
                ("Against", "; ".join(cause.against)),
                ("Next test", cause.next_test),
                ("Caution", cause.caution),
                ("More", f"canlens explain {cause.cause}"),
            ],
            indent=7,
        )


# Sections of the text report: outputs, what was not tested, controls, recording, bus.


PROBLEMS_SHOWN = 10
"""Kinds of unusable lines printed for one recording; the JSON holds all that were kept."""

_RECORDED = {
    "yes": "the recorder keeps them",
    "no": "this recording cannot hold them, so there may have been any number",
    "unknown": "none recorded – this does not mean there were none",
}


def add_outputs(page: Page, result: CheckResult) -> None:
    """Add the table of outputs."""
    page.heading(f"OUTPUTS of {result.title}" if result.title else "OUTPUTS")
    rows = [
        (
            name,
            output.load or "–",
            output.planned,
            phrases.VERDICTS[output.verdict],
            f"{output.answered} of {output.due}",
            f"{phrases.milliseconds(output.latency_s.median)} / {phrases.milliseconds(output.latency_s.max)}",
        )
        for name, output in result.outputs.items()
    ]
    headings = ("output", "load", "on when", "verdict", "answered", "median/max ms")
    page.table(headings, rows, remarks=[output_remarks(output) for output in result.outputs.values()])


def output_remarks(output: OutputResult) -> list[str]:
    """Return what stands under an output's row: where it breaks, why, and what it really follows."""
    remarks = []
    broken = output.first_broken_link
    at = f"Broken at: {phrases.LINK_NAMES[broken]}" if broken is not None else ""
    why = output.reason if output.verdict != "proven" else ""
    if at or why:
        remarks.append(phrases.sentence("; ".join(part for part in (at, why) if part)))
    if output.verdict != "proven" and (output.observed not in (None, output.planned) or output.observed_how.latching):
        how = output.observed_how
        agree = f" ({how.explained} of {how.exercises} exercises agree)" if how.exercises else ""
        turns = ", on by one exercise and off by the next" if how.latching else ""
        remarks.append(f"What it really follows: {output.observed}{turns}{agree}")
    if output.also_fits:
        remarks.append(f"Fits just as well: {'; '.join(output.also_fits)}")
    counts = (
        (output.late, "answered late"),
        (output.unasked, "on without being asked"),
        (output.too_short, "too short to count"),
    )
    told = [f"{phrases.counted(number, 'time')} {what}" for number, what in counts if number]
    if told:
        remarks.append(f"Besides: {phrases.listed(told)}.")
    if output.judged_from == "observed":
        remarks.append("Judged from what was observed by eye, ear or meter; how quick it is was not judged.")
    return remarks


def add_untested(page: Page, result: CheckResult) -> None:
    """Add what the recording leaves open: outputs without proof, and links that cannot be told."""
    page.heading("NOT TESTED")
    page.paragraph("What stands here was neither passed nor failed.")
    for each in untested(result):
        page.paragraph(each.what, first="*", indent=2)
        if each.proof and not result.next_exercises:
            page.paragraph(each.proof, first="  ", indent=2)
    if result.next_exercises:
        page.gap()
        page.paragraph("To settle what exercises can settle, record this:")
        for number, exercise in enumerate(result.next_exercises, 1):
            page.paragraph(phrases.capital(phrases.sentence(exercise)), first=f"{number}.", indent=4)


def add_controls(page: Page, controls: Mapping[str, ControlResult]) -> None:
    """Add how often each control was operated, and when first and last."""
    page.heading("CONTROLS")
    marked = any(control.marked is not None for control in controls.values())
    rows = [
        (
            name,
            control.signal,
            str(control.exercises),
            *((("–" if control.marked is None else str(control.marked)),) if marked else ()),
            phrases.seconds(control.first_s),
            phrases.seconds(control.last_s),
        )
        for name, control in controls.items()
    ]
    headings = ("control", "signal", "exercises", *(("marked",) if marked else ()), "first at s", "last at s")
    page.table(headings, rows)


def add_recordings(page: Page, result: CheckResult) -> None:
    """Add what was read of each recording, and what could not be."""
    for number, recording in enumerate(result.recordings, 1):
        page.heading("RECORDING" if len(result.recordings) == 1 else f"RECORDING {number}")
        add_recording(page, recording)


def add_recording(page: Page, recording: RecordingResult) -> None:
    """Add what was read of one recording, and what could not be."""
    quality = [recording.quality, *recording.quality_reasons]
    page.facts(
        [
            ("file", "standard input" if recording.file == "-" else recording.file),
            ("SHA-256", recording.sha256),
            ("format", recording.format),
            ("frames", f"{recording.frames} in {phrases.seconds(recording.duration_s)} s"),
            ("first stamp", f"{phrases.seconds(recording.start)} s" if recording.start is not None else "none"),
            ("channels", phrases.listed(recording.channels) or "none named"),
            ("quality", "; ".join(quality)),
            ("error frames", error_frame_words(recording)),
            ("not usable", phrases.counted(recording.problem_count, "line")),
        ]
    )
    _add_problems(page, recording)


def error_frame_words(recording: RecordingResult) -> str:
    """Say how many error frames were recorded, and whether they could have been."""
    if recording.error_frames and recording.error_frames_recorded != "no":
        return str(recording.error_frames)
    return f"{recording.error_frames}; {_RECORDED[recording.error_frames_recorded]}"


def _add_problems(page: Page, recording: RecordingResult) -> None:
    for title, problems in (
        ("Lines of the recording that could not be used:", recording.problems),
        ("Entries of the database that could not be used:", recording.database_problems),
    ):
        if not problems:
            continue
        page.gap()
        page.paragraph(title)
        for problem in problems[:PROBLEMS_SHOWN]:
            place = f"line {problem.line}" if problem.line else "somewhere"
            more = f" ({problem.count} of this kind)" if problem.count > 1 else ""
            page.paragraph(f"{place}: found {problem.found}, expected {problem.expected}{more}", first="*", indent=2)
        if len(problems) > PROBLEMS_SHOWN:
            page.paragraph(
                f"and {len(problems) - PROBLEMS_SHOWN} more; --json FILE holds all that were kept.", indent=2
            )


def add_bus(page: Page, result: CheckResult) -> None:
    """Add how full the bus was, channel by channel where there are several."""
    page.heading("BUS LOAD")
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    for name, bus in buses.items():
        page.paragraph(f"{name}: {load_sentence(bus)}" if name else load_sentence(bus))


def load_sentence(bus: BusResult) -> str:
    """Say how full a bus was."""
    if bus.bit_rate is None:
        return "Unknown, since the bit rate is: write bit_rate under [bus] in the plan."
    source = {
        "given": "as the plan gives it",
        "inferred": "inferred from the recording",
        "unknown": "of unknown source",
    }
    return (
        f"{phrases.percent(bus.bus_load)} over the whole recording, at most "
        f"{phrases.percent(bus.bus_load_peak)} in {bus.window_s:g} s, "
        f"at {bus.bit_rate} bit/s ({source[bus.bit_rate_source]})."
    )
