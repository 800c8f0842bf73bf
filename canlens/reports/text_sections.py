"""Sections that text reports share: outputs, findings, causes, cautions, recording, bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports.facts import cause_facts, latency_words, load_sentence, own_steps, recording_facts, seen_words
from canlens.reports.phrases import as_read, cause_name, untested

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.nouns.bus import RecordingResult
    from canlens.reports.headlines import Answer
    from canlens.reports.layout import Page
    from canlens.results.check import CheckResult, ControlResult, OutputResult
    from canlens.results.finding import Cause, Finding


# Sections that text reports share: the findings, the likely causes, the cautions.


def add_answer(page: Page, answer: Answer, *, lead: bool = True) -> None:
    """Add what stands first: verdict, where it fails or what is missing, the likely cause, what to do next."""
    page.paragraph(f"{answer.word} – {answer.sentence}")
    if lead and answer.lead:
        page.paragraph(answer.lead)
    for step in answer.steps:
        page.paragraph(step.words, first=f"{step.label}:", indent=2)


def add_more(page: Page, shown: int, total: int, *, indent: int = 0) -> None:
    """Say how many things were not printed, if any."""
    if total > shown:
        page.paragraph(f"and {total - shown} more; --json FILE holds all.", indent=indent)


def add_cautions(page: Page, cautions: Sequence[str]) -> None:
    """Add the cautions, which stand last on every page."""
    page.heading("CAUTIONS")
    for caution in cautions:
        page.paragraph(caution, first="*", indent=2)


def by_severity(findings: tuple[Finding, ...]) -> list[Finding]:
    """Sort findings: failures first, what explains others before them, safety items before others.

    What is equal in all of these keeps its order, which is that of the catalogue.
    """
    return sorted(
        findings,
        key=lambda finding: (
            wording.SEVERITY_ORDER.index(finding.severity),
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
        subject = f", {wording.listed(finding.subject)}" if finding.subject else ""
        safety = ", safety item" if finding.safety else ""
        page.paragraph(f"{wording.SEVERITIES[finding.severity]}{subject}{safety}", first=f"{number}.", indent=4)
        page.paragraph(finding.claim, first="", indent=4)
        page.facts(
            [
                ("Follows from", finding.consequence_of),
                ("Seen", seen_words(finding, several=recordings > 1)),
                ("Cannot tell", finding.cannot_tell),
                *own_steps(finding),
                ("Goes away if", finding.would_change),
                ("More", f"canlens explain {finding.check}"),
            ],
            indent=4,
        )


def add_causes(page: Page, causes: tuple[Cause, ...]) -> None:
    """Add the causes that the evidence speaks for, each with its next test; nothing where there are none."""
    if not causes:
        return
    page.heading("LIKELY CAUSES, the likeliest first")
    page.paragraph("Each by itself; two faults at once may both stand high.")
    for cause in as_read(causes):
        page.gap()
        page.paragraph(cause_name(cause), first=f"{wording.likelihood(cause.probability):>5}", indent=7)
        page.facts(
            [*cause_facts(cause), ("More", f"canlens explain {cause.cause}")],
            indent=7,
        )


# Sections of the text report: outputs, what was not tested, controls, recording, bus.


PROBLEMS_SHOWN = 10
"""Kinds of unusable lines printed for one recording; the JSON holds all that were kept."""


def add_outputs(page: Page, result: CheckResult) -> None:
    """Add the table of outputs."""
    page.heading(f"OUTPUTS of {result.title}" if result.title else "OUTPUTS")
    rows = [
        (
            name,
            output.load or "–",
            output.planned,
            wording.VERDICTS[output.verdict],
            f"{output.answered} of {output.due}",
            latency_words(output.latency_s),
        )
        for name, output in result.outputs.items()
    ]
    headings = ("output", "load", "on when", "verdict", "answered", "median/max ms")
    page.table(headings, rows, remarks=[output_remarks(output) for output in result.outputs.values()])


def output_remarks(output: OutputResult) -> list[str]:
    """Return what stands under an output's row: where it breaks, why, and what it really follows."""
    remarks = []
    broken = output.first_broken_link
    at = f"Broken at: {wording.LINKS[broken]}" if broken is not None else ""
    why = output.reason if output.verdict != "proven" else ""
    if at or why:
        remarks.append(wording.sentence("; ".join(part for part in (at, why) if part)))
    if output.verdict != "proven" and (output.observed not in (None, output.planned) or output.observed_how.latching):
        remarks.append(follows_words(output))
    if output.also_fits:
        remarks.append(f"Fits just as well: {'; '.join(output.also_fits)}")
    counts = (
        (output.late, "late"),
        (output.unasked, "on unasked"),
        (output.too_short, wording.OUTCOMES["too-short"]),
    )
    told = [f"{wording.counted(number, 'time')} {what}" for number, what in counts if number]
    if told:
        remarks.append(f"Besides: {wording.listed(told)}.")
    if output.judged_from == "observed":
        remarks.append("Judged from what was observed by eye, ear or meter; how quick it is was not judged.")
    return remarks


def follows_words(output: OutputResult) -> str:
    """Say which rule an output follows, and how sure that is."""
    how = output.observed_how
    agree = f" ({how.explained} of {how.exercises} exercises agree)" if how.exercises else ""
    turns = ", on by one exercise and off by the next" if how.latching else ""
    return f"What it really follows: {output.observed}{turns}{agree}"


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
            page.paragraph(wording.capital(wording.sentence(exercise)), first=f"{number}.", indent=4)


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
            wording.seconds(control.first_s),
            wording.seconds(control.last_s),
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
    page.facts(recording_facts(recording))
    _add_problems(page, recording)


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
        add_more(page, PROBLEMS_SHOWN, len(problems), indent=2)


def add_bus(page: Page, result: CheckResult) -> None:
    """Add how full the bus was, channel by channel where there are several."""
    page.heading("BUS LOAD")
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    for name, bus in buses.items():
        page.paragraph(f"{name}: {load_sentence(bus)}" if name else load_sentence(bus))
