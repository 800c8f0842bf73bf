"""Text: the result of a check as a page of 80 columns, the answer first."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens.reports import words
from canlens.reports.cause_words import as_read, cause_name, likely_cause, likely_words
from canlens.reports.layout import Page
from canlens.reports.sleep_sections import add_rest
from canlens.reports.text_findings import (
    add_causes,
    add_cautions,
    add_findings,
    by_severity,
)
from canlens.reports.text_sections import (
    add_bus,
    add_controls,
    add_outputs,
    add_recordings,
    add_untested,
)
from canlens.reports.text_strips import add_chain, add_time_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.findings import Cause, Finding
    from canlens.measures.lanes import Lane
    from canlens.results import CheckResult, OutputResult

GATE = "poor-recording"
"""The check that withholds all verdicts; where it speaks, nothing else comes first."""
_READ_ON = "Read the findings and NOT TESTED below, then record again"


def check_text(result: CheckResult, *, lanes: Sequence[Sequence[Lane]] = (), encoding: str = "utf-8") -> str:
    """Write the result of a check as plain text.

    Parameters
    ----------
    result
        What the check found.
    lanes
        For each recording, what controls and outputs did in :data:`canlens.reports.text_strips.PARTS` parts; without
        it there is no time line.
    encoding
        What the console can show; signs it lacks are replaced before the lines are wrapped.

    Returns
    -------
    str
        Lines of at most 80 columns with a newline at the end. The first ones say the verdict, where it
        fails or what is missing, the most likely cause, and what to do next.
    """
    page = Page(encoding)
    findings = by_severity(result.findings)
    _add_answer(page, result, findings)
    add_outputs(page, result)
    add_chain(page, result.outputs)
    add_time_lines(page, result.recordings, lanes)
    add_findings(page, findings, recordings=len(result.recordings))
    add_causes(page, result.causes)
    add_untested(page, result)
    add_controls(page, result.controls)
    add_recordings(page, result)
    add_bus(page, result)
    add_rest(page, result.quiet)
    add_cautions(page, words.CAUTIONS)
    return page.text()


def answer_text(result: CheckResult, *, encoding: str = "utf-8") -> str:
    """Write only the head of the page: the verdict, where it fails or what is missing, what to do next."""
    page = Page(encoding)
    _add_answer(page, result, by_severity(result.findings))
    return page.text()


class Answer(NamedTuple):
    """What stands under the verdict: where, what to do, and the caution that belongs to it."""

    where: str
    step: str
    caution: str = ""
    likely: str = ""
    cause: Cause | None = None


def _add_answer(page: Page, result: CheckResult, findings: list[Finding]) -> None:
    page.paragraph(verdict_sentence(result))
    answer = answer_of(result, findings)
    page.paragraph(words.sentence(answer.where))
    if answer.likely:
        page.paragraph(words.sentence(answer.likely), first="Most likely:", indent=2)
    page.paragraph(words.capital(words.sentence(answer.step)), first="Do next:", indent=2)
    if answer.caution:
        page.paragraph(answer.caution, first="Caution:", indent=2)


def answer_of(result: CheckResult, findings: list[Finding]) -> Answer:
    """Say what stands under the verdict; ``findings`` in the order of :func:`by_severity`."""
    tell = {"failed": _worst, "not-proven": _first_unproven, "proven": _what_is_left}
    return tell[result.verdict](result, findings)


def verdict_sentence(result: CheckResult) -> str:
    """Say the verdict of the whole job."""
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


def _worst(result: CheckResult, findings: list[Finding]) -> Answer:
    """Return the answer of a failed job: its worst failure."""
    failed = {name: output for name, output in result.outputs.items() if output.verdict == "failed"}
    worst = findings[0] if findings and findings[0].severity == "failure" else None
    if worst:
        name = next((name for name in worst.subject if name in failed), None)
        where = _break_sentence(name, failed[name], safety=worst.safety) if name else worst.claim
        cause = _likely(result.causes, name)
        if cause is not None:
            return Answer(where, cause.next_test, cause.caution, likely_words(cause), cause)
        return Answer(where, worst.next_step, worst.caution)
    likely = next(iter(as_read(result.causes)), None)
    step, caution = (likely.next_test, likely.caution) if likely else (_READ_ON, "")
    for name, output in failed.items():
        return Answer(_break_sentence(name, output, safety=False), step, caution)
    return Answer(f"Most likely: {cause_name(likely)}" if likely else "No single finding explains it", step, caution)


def _likely(causes: tuple[Cause, ...], name: str | None) -> Cause | None:
    """Return the likeliest cause of what is wrong with an output, or of all; None where none is likely."""
    about = [each for each in causes if name in each.subject or each.scope in {"bus", "controller"}] if name else causes
    return likely_cause(about)


def _break_sentence(name: str, output: OutputResult, *, safety: bool) -> str:
    who = f"{name} (safety item)" if safety else name
    return f"{who}: {break_words(output)}"


def break_words(output: OutputResult) -> str:
    """Say where the chain of an output breaks; its reason where no single link does."""
    link = output.first_broken_link
    if link is None:
        return output.reason
    number = list(words.LINK_NAMES).index(link) + 1
    return f"broken at link {number} of {len(words.LINK_NAMES)}, {words.LINK_BREAKS[link]}"


def _first_unproven(result: CheckResult, findings: list[Finding]) -> Answer:
    """Return the answer of a job without proof: a poor recording, else the first output that lacks something."""
    for finding in findings:
        if finding.check == GATE:
            return Answer(finding.claim, finding.next_step, finding.caution)
    for name, output in result.outputs.items():
        if output.verdict == "not-proven":
            where = f"{name}: {output.reason}"
            about = next((each for each in findings if name in each.subject), None)
            if output.next_exercise or not about:
                return Answer(where, output.next_exercise or _READ_ON)
            return Answer(where, about.next_step, about.caution)
    return Answer("No output of the plan could be judged", _READ_ON)


def _what_is_left(_result: CheckResult, findings: list[Finding]) -> Answer:
    """Return the answer of a proven job: what no recording shows, and a warning if there is one."""
    where = "No recording can show whether the loads work: look, listen, measure"
    for finding in findings:
        if finding.severity == "warning":
            return Answer(where, finding.next_step, finding.caution)
    return Answer(where, "Keep the report together with the recording; its NOT TESTED says what was not shown")
