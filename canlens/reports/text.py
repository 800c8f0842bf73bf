"""Text: the result of a check as a page of 80 columns, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens.reports import words
from canlens.reports.layout import Page
from canlens.reports.text_sections import (
    add_bus,
    add_controls,
    add_outputs,
    add_recordings,
    add_untested,
)

if TYPE_CHECKING:
    from canlens.findings import Cause, Finding
    from canlens.results import CheckResult, OutputResult

LINES_SHOWN = 8
"""Line numbers printed for one finding; the JSON holds all that were kept."""
GATE = "poor-recording"
"""The check that withholds all verdicts; where it speaks, nothing else comes first."""
_READ_ON = "Read the findings and NOT TESTED below, then record again"


def check_text(result: CheckResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a check as plain text.

    Parameters
    ----------
    result
        What the check found.
    encoding
        What the console can show; signs it lacks are replaced before the lines are wrapped.

    Returns
    -------
    str
        Lines of at most 80 columns with a newline at the end. The first three say the verdict, where it
        fails or what is missing, and what to do next.
    """
    page = Page(encoding)
    findings = by_severity(result.findings)
    _add_answer(page, result, findings)
    add_outputs(page, result)
    _add_findings(page, result, findings)
    _add_causes(page, result.causes)
    add_untested(page, result)
    add_controls(page, result.controls)
    add_recordings(page, result)
    add_bus(page, result)
    page.heading("CAUTIONS")
    for caution in words.CAUTIONS:
        page.paragraph(caution, first="*", indent=2)
    return page.text()


def answer_text(result: CheckResult, *, encoding: str = "utf-8") -> str:
    """Write only the head of the page: the verdict, where it fails or what is missing, what to do next."""
    page = Page(encoding)
    _add_answer(page, result, by_severity(result.findings))
    return page.text()


def by_severity(findings: tuple[Finding, ...]) -> list[Finding]:
    """Sort findings: failures first, what explains others before them, safety items before others.

    What is equal in all of these keeps its order, which is that of the catalogue.
    """
    weight = list(words.SEVERITIES)
    return sorted(
        findings,
        key=lambda finding: (
            weight.index(finding.severity),
            bool(finding.consequence_of),
            not finding.safety,
        ),
    )


class _Answer(NamedTuple):
    """What stands under the verdict: where, what to do, and the caution that belongs to it."""

    where: str
    step: str
    caution: str = ""


def _add_answer(page: Page, result: CheckResult, findings: list[Finding]) -> None:
    page.paragraph(_verdict_sentence(result))
    tell = {"failed": _worst, "not-proven": _first_unproven, "proven": _what_is_left}
    answer = tell[result.verdict](result, findings)
    page.paragraph(words.sentence(answer.where))
    page.paragraph(words.sentence(answer.step), first="Do next:", indent=2)
    if answer.caution:
        page.paragraph(answer.caution, first="Caution:", indent=2)


def _verdict_sentence(result: CheckResult) -> str:
    verdict = words.VERDICTS[result.verdict]
    total = words.counted(len(result.outputs), "output")
    if result.verdict == "proven":
        them = f"all {total} did" if len(result.outputs) > 1 else "the one output did"
        return f"{verdict} – {them} what the plan says in this recording."
    number = sum(output.verdict == result.verdict for output in result.outputs.values())
    if result.verdict == "not-proven":
        return f"{verdict} – {number} of {total} could not be proven from this recording."
    if not number:
        return f"{verdict} – the fault is not in one output, but on the bus or at the controller."
    does = "does" if number == 1 else "do"
    return f"{verdict} – {number} of {total} {does} not do what the plan says."


def _worst(result: CheckResult, findings: list[Finding]) -> _Answer:
    """Return the answer of a failed job: its worst failure."""
    failed = {name: output for name, output in result.outputs.items() if output.verdict == "failed"}
    worst = findings[0] if findings and findings[0].severity == "failure" else None
    if worst:
        name = next((name for name in worst.subject if name in failed), None)
        where = _break_sentence(name, failed[name], safety=worst.safety) if name else worst.claim
        return _Answer(where, worst.next_step, worst.caution)
    likely = max(result.causes, key=lambda cause: cause.probability, default=None)
    step, caution = (likely.next_test, likely.caution) if likely else (_READ_ON, "")
    for name, output in failed.items():
        return _Answer(_break_sentence(name, output, safety=False), step, caution)
    return _Answer(f"Most likely: {_cause_name(likely)}" if likely else "No single finding explains it", step, caution)


def _break_sentence(name: str, output: OutputResult, *, safety: bool) -> str:
    who = f"{name} (safety item)" if safety else name
    link = output.first_broken_link
    if link is None:
        return f"{who}: {output.reason}"
    number = list(words.LINK_NAMES).index(link) + 1
    return f"{who}: broken at link {number} of {len(words.LINK_NAMES)}, {words.LINK_BREAKS[link]}"


def _first_unproven(result: CheckResult, findings: list[Finding]) -> _Answer:
    """Return the answer of a job without proof: a poor recording, else the first output that lacks something."""
    for finding in findings:
        if finding.check == GATE:
            return _Answer(finding.claim, finding.next_step, finding.caution)
    for name, output in result.outputs.items():
        if output.verdict == "not-proven":
            where = f"{name}: {output.reason}"
            about = next((each for each in findings if name in each.subject), None)
            if output.next_exercise or not about:
                return _Answer(where, output.next_exercise or _READ_ON)
            return _Answer(where, about.next_step, about.caution)
    return _Answer("No output of the plan could be judged", _READ_ON)


def _what_is_left(_result: CheckResult, findings: list[Finding]) -> _Answer:
    """Return the answer of a proven job: what no recording shows, and a warning if there is one."""
    where = "No recording can show whether the loads work: look, listen, measure"
    for finding in findings:
        if finding.severity == "warning":
            return _Answer(where, finding.next_step, finding.caution)
    return _Answer(where, "Keep this report together with the recording; see NOT TESTED below")


def _add_findings(page: Page, result: CheckResult, findings: list[Finding]) -> None:
    page.heading("FINDINGS, the worst first")
    if not findings:
        page.paragraph("None.")
    for number, finding in enumerate(findings, 1):
        if number > 1:
            page.gap()
        subject = f", {words.listed(finding.subject)}" if finding.subject else ""
        safety = ", safety item" if finding.safety else ""
        page.paragraph(f"{words.SEVERITIES[finding.severity]}{subject}{safety}", first=f"{number}.", indent=4)
        page.paragraph(finding.claim, first="", indent=4)
        page.facts(
            [
                ("Follows from", finding.consequence_of),
                ("Seen", _evidence(result, finding)),
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


def _evidence(result: CheckResult, finding: Finding) -> str:
    """Say where a finding was seen: lines of the log file and times of the same frames."""
    evidence = finding.evidence
    if not evidence.lines and not evidence.times_s:
        return ""
    parts = []
    if evidence.lines:
        parts.append(_some("line", [str(line) for line in evidence.lines]))
    if evidence.times_s:
        parts.append(f"at {_some('', [words.seconds(time) for time in evidence.times_s])} s")
    where = "; ".join(parts)
    if len(result.recordings) > 1:
        where = f"recording {evidence.recording + 1}: {where}"
    return where


def _some(noun: str, values: list[str]) -> str:
    more = f" and {len(values) - LINES_SHOWN} more" if len(values) > LINES_SHOWN else ""
    label = f"{noun}{'s' if len(values) > 1 else ''} " if noun else ""
    return f"{label}{words.listed(values[:LINES_SHOWN])}{more}"


def _add_causes(page: Page, causes: tuple[Cause, ...]) -> None:
    if not causes:
        return
    page.heading("LIKELY CAUSES, the likeliest first")
    page.paragraph("Each by itself; two faults at once may both stand high.")
    for cause in sorted(causes, key=lambda each: -each.probability):
        page.gap()
        page.paragraph(_cause_name(cause), first=f"{cause.probability * 100:3.0f} %", indent=7)
        page.facts(
            [
                ("Because", " ".join(cause.because)),
                ("Against", " ".join(cause.against)),
                ("Next test", cause.next_test),
                ("Caution", cause.caution),
                ("More", f"canlens explain {cause.cause}"),
            ],
            indent=7,
        )


def _cause_name(cause: Cause) -> str:
    subject = f": {words.listed(cause.subject)}" if cause.subject else ""
    return f"{cause.cause}{subject} ({cause.scope})"
