"""Text of a survey: what a recording says of its bus, as a page of 80 columns, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import words
from canlens.reports.layout import Page
from canlens.reports.sleep_sections import add_sleep
from canlens.reports.survey_sections import add_errors, add_identifiers, add_loads
from canlens.reports.text_findings import add_causes, add_cautions, add_findings, by_severity
from canlens.reports.text_sections import add_recording

if TYPE_CHECKING:
    from canlens.findings import Finding
    from canlens.survey_results import SurveyResult


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
    add_cautions(page, words.BUS_CAUTIONS)
    return page.text()


def _add_answer(page: Page, result: SurveyResult, findings: list[Finding]) -> None:
    """Say whether the bus is well, what is wrong first of all, and what to do next."""
    page.paragraph(survey_sentence(result, findings))
    first = leading_finding(result, findings)
    if first is None:
        page.paragraph(proviso(result))
        return
    page.paragraph(words.sentence(first.claim))
    page.paragraph(words.sentence(first.next_step), first="Do next:", indent=2)
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
        more = f" and {words.counted(warnings, 'warning')}" if warnings else ""
        return f"NOT WELL – {words.counted(failures, 'failure')}{more} on this bus."
    if warnings:
        return f"NO FAILURE FOUND – but {words.counted(warnings, 'warning')}; read on before you trust this bus."
    return "WELL – nothing wrong was found on this bus in this recording."


def proviso(result: SurveyResult) -> str:
    """Say what the good answer does not cover."""
    if result.errors.recorded != "yes":
        return (
            "Whether there were errors cannot be told: none were recorded, which is not the same as none. Wiring and "
            "terminating resistors no recording shows: measure them."
        )
    return "Wiring and terminating resistors no recording shows: measure them."
