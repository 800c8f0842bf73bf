"""Text: the result of a check as a page of 80 columns, the answer first, with chains and lanes as lines of signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.reports import phrases
from canlens.reports.layout import GAP, WIDTH, Page, display_width
from canlens.reports.phrases import as_read, cause_name, likely_cause, likely_words
from canlens.reports.survey_text import add_rest
from canlens.reports.text_sections import (
    add_bus,
    add_causes,
    add_cautions,
    add_controls,
    add_findings,
    add_outputs,
    add_recordings,
    add_untested,
    by_severity,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.measures.outputs.exercises import Lane
    from canlens.nouns.bus import RecordingResult
    from canlens.results.check import CheckResult, OutputResult
    from canlens.results.finding import Cause, Finding


# Strips: the chain of every output in nine signs, and what happened when, in a line of signs each.


NAMES = 18
"""Columns for the names beside a time line; a longer name goes on in the next line."""
CHAIN_NAMES = 28
"""Columns for the names beside a chain: what its signs and the longest words about them leave."""
PARTS = WIDTH - NAMES - GAP
"""Signs of a time line: as many parts is the recording cut into."""
TICKS = 4
"""Times written under a time line, besides its beginning."""

STATES = {-1: "?", 0: "·", 1: "█", 2: "▄"}
"""Signs of a lane's state: unknown, off, on, both."""
_ANSWERED, _MISSED, _UNASKED = "✓", "✗", "!"


def add_chain(page: Page, outputs: Mapping[str, OutputResult]) -> None:
    """Add the nine links of each output as a strip, and beside it in words what the strip says first."""
    page.heading("THE CHAIN of each output, link by link")
    names = [f"{number} {name}" for number, name in enumerate(phrases.LINK_NAMES.values(), 1)]
    third = len(names) // 3
    for row in range(third):
        page.paragraph("", first="".join(f"{name:<24}" for name in names[row::third]))
    marks = phrases.LINK_MARKS
    page.paragraph(
        f"{marks['seen']} seen, {marks['broken']} broken, {marks['cannot-tell']} cannot be told from this recording"
    )
    page.gap()
    rows = [(name, f"{_strip(each)}  {_in_words(each)}") for name, each in outputs.items()]
    page.strips([("link", "123 456 789"), *rows], widest=CHAIN_NAMES)


def _strip(output: OutputResult) -> str:
    """Return the nine signs of an output, three by three as the list of links above them stands."""
    signs = [phrases.LINK_MARKS[output.links[link]] for link in phrases.LINK_NAMES]
    return " ".join("".join(signs[at : at + 3]) for at in range(0, len(signs), 3))


def _in_words(output: OutputResult) -> str:
    """Say the first broken link; where none is, those that were not shown, by number."""
    order = list(phrases.LINK_NAMES)
    if output.first_broken_link is not None:
        number = order.index(output.first_broken_link) + 1
        return f"broken at {number}, {phrases.LINK_NAMES[output.first_broken_link]}"
    untold = [str(order.index(link) + 1) for link in order if output.links[link] == "cannot-tell"]
    return f"not shown: {', '.join(untold)}" if untold else "all seen"


def add_time_lines(page: Page, recordings: Sequence[RecordingResult], lanes: Sequence[Sequence[Lane]]) -> None:
    """Add for each recording a line for each control and output; nothing where a recording has no length.

    Parameters
    ----------
    page
        Takes the lines.
    recordings
        The recordings of the job.
    lanes
        What happened in each of them, in :data:`PARTS` parts.
    """
    told = False
    for number, (recording, own) in enumerate(zip(recordings, lanes, strict=False), 1):
        if not own:
            continue
        which = f" of recording {number}" if len(recordings) > 1 else ""
        page.heading(f"TIME LINE{which}, {recording.duration_s:.1f} s; one sign is {_part(recording.duration_s)}")
        if not told:
            _add_legend(page)
            told = True
        controls, outputs = (
            [(each.name, _signs(each)) for each in own if each.kind == kind] for kind in ("control", "output")
        )
        page.strips([*controls, ("", ""), *outputs, ("seconds", _axis(recording.duration_s))], widest=NAMES)


def _add_legend(page: Page) -> None:
    page.paragraph(f"{STATES[1]} on, {STATES[2]} on and off, {STATES[0]} off, {STATES[-1]} not known")
    page.paragraph(
        f"Outputs: {_ANSWERED} exercise answered, {_MISSED} not answered or too late, {_UNASKED} came on unasked"
    )
    page.gap()


def _part(duration_s: float) -> str:
    """Say how long one sign lasts."""
    part_s = duration_s / PARTS
    return f"{part_s:.1f} s" if part_s >= 0.1 else f"{part_s * 1000:.0f} ms"  # noqa: PLR2004 – two figures are enough


def _signs(lane: Lane) -> str:
    """Return the signs of a lane; what went wrong in a part comes before what went well."""
    signs = np.array([STATES[state] for state in lane.state.tolist()])
    for counts, sign in ((lane.answered, _ANSWERED), (lane.unasked, _UNASKED), (lane.missed, _MISSED)):
        signs[counts > 0] = sign
    return "".join(signs.tolist())


def _axis(duration_s: float) -> str:
    """Return the times under a time line, the last one ending where the line does."""
    decimals = 0 if duration_s >= 10 * TICKS else 1
    line = "0"
    for tick in range(1, TICKS + 1):
        text = f"{duration_s * tick / TICKS:.{decimals}f}"
        at = PARTS * tick // TICKS - (display_width(text) if tick == TICKS else 0)
        line = f"{line:<{at}}{text}"
    return line


# Text: the result of a check as a page of 80 columns, the answer first.


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
        For each recording, what controls and outputs did in :data:`canlens.reports.text.PARTS` parts; without
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
    add_cautions(page, phrases.CAUTIONS)
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
    page.paragraph(phrases.sentence(answer.where))
    if answer.likely:
        page.paragraph(phrases.sentence(answer.likely), first="Most likely:", indent=2)
    page.paragraph(phrases.capital(phrases.sentence(answer.step)), first="Do next:", indent=2)
    if answer.caution:
        page.paragraph(answer.caution, first="Caution:", indent=2)


def answer_of(result: CheckResult, findings: list[Finding]) -> Answer:
    """Say what stands under the verdict; ``findings`` in the order of :func:`by_severity`."""
    tell = {"failed": _worst, "not-proven": _first_unproven, "proven": _what_is_left}
    return tell[result.verdict](result, findings)


def verdict_sentence(result: CheckResult) -> str:
    """Say the verdict of the whole job."""
    verdict = phrases.VERDICTS[result.verdict]
    total = phrases.counted(len(result.outputs), "output")
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
    number = list(phrases.LINK_NAMES).index(link) + 1
    return f"broken at link {number} of {len(phrases.LINK_NAMES)}, {phrases.LINK_BREAKS[link]}"


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
