"""A checked job as a page: the answer first, then everything it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.outputs.exercises import crossings
from canlens.measures.picturing import drawn_recordings
from canlens.measures.picturing.quoting import quotes
from canlens.reports import phrases
from canlens.reports.page import job_views
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import (
    Step,
    Verdict,
    cause_views,
    finding_views,
    leading_views,
    likely_step,
    recording_subtitle,
    recording_view,
)
from canlens.reports.phrases import untested
from canlens.reports.pictures import check_pictures
from canlens.reports.text import answer_of, verdict_sentence
from canlens.reports.text_sections import by_severity
from canlens.results.form import version

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.checkup import Checkup
    from canlens.measures.picturing.quoting import Quote
    from canlens.plan import Plan
    from canlens.reports.pictures.picture import Picture
    from canlens.results.check import CheckResult
    from canlens.results.finding import Finding
    from canlens.trace import Trace


SECTIONS = (
    ("answer", "The answer"),
    ("chain", "Chains"),
    ("timeline", "Time line"),
    ("table", "Controls × outputs"),
    ("bus", "The bus"),
    ("untested", "Not tested"),
    ("recording", "Recording"),
    ("causes", "Causes"),
    ("findings", "Findings"),
    ("cautions", "Cautions"),
)


def check_page(checkup: Checkup, traces: Sequence[Trace] = (), *, channel: str | None = None) -> str:
    """Write a checked job as one HTML file.

    Parameters
    ----------
    checkup
        The job.
    traces
        Its recordings in the same order; without them the frames behind a finding are not quoted, and currents,
        supply and load are not drawn.
    channel
        As it was given when the job was judged.
    """
    result, plan = checkup.result, checkup.evidence[-1].plan
    findings = by_severity(result.findings)
    several = len(result.recordings) > 1
    bus = checkup.evidence[-1].bus_evidence
    return assembled(
        "check.html",
        _pictures(checkup, traces, channel),
        kind="Check of an install",
        title=result.title or "Job without a title",
        subtitle=_subtitle(result),
        sections=[each for each in SECTIONS if each[0] != "causes" or result.causes],
        **_answer(result, findings),
        outputs=job_views.output_views(result, plan, findings),
        matrices=[
            job_views.matrix_view(crossings(each), result, f" in recording {number}" if several else "")
            for number, each in enumerate(checkup.evidence, 1)
        ],
        output_headings=job_views.OUTPUT_HEADINGS,
        output_rows=job_views.output_rows(result),
        control_headings=job_views.CONTROL_HEADINGS,
        control_rows=job_views.control_rows(result),
        bus_facts=job_views.bus_facts(result, bus),
        interval_headings=job_views.INTERVAL_HEADINGS,
        interval_rows=job_views.interval_rows(bus),
        reading_headings=job_views.READING_HEADINGS,
        reading_rows=job_views.reading_rows(bus),
        open_ends=[f"{each.what} {each.proof}".strip() for each in untested(result)],
        exercises=result.next_exercises,
        judged_by=_judged_by(checkup),
        recordings=[
            recording_view(each, f"Recording {number}" if several else "")
            for number, each in enumerate(result.recordings, 1)
        ],
        causes=cause_views(result.causes),
        findings=finding_views(findings, _quoted(findings, plan, traces), several=several),
        cautions=phrases.CAUTIONS,
    )


def _pictures(checkup: Checkup, traces: Sequence[Trace], channel: str | None) -> tuple[Picture, ...]:
    if not any(each.duration_s > 0 for each in checkup.result.recordings):
        return ()
    return check_pictures(checkup, drawn_recordings(checkup.evidence, traces, channel=channel) if traces else ())


def _subtitle(result: CheckResult) -> str:
    """Say what was recorded when, and for how long."""
    if len(result.recordings) != 1:
        return phrases.counted(len(result.recordings), "recording")
    return recording_subtitle(result.recordings[0])


def _answer(result: CheckResult, findings: list[Finding]) -> dict[str, object]:
    """Return the first screen: verdict, where it fails, likely cause, one next step with its caution."""
    answer = answer_of(result, findings)
    steps = [] if answer.cause is None else [likely_step(answer.cause)]
    steps.append(Step("next", "Do next", phrases.capital(phrases.sentence(answer.step))))
    if answer.caution:
        steps.append(Step("caution", "Caution", answer.caution))
    if result.verdict == "proven":
        steps.append(Step("plain", "Not tested", " ".join(each.what for each in untested(result))))
    return {
        "verdict": Verdict.of(job_views.STATES[result.verdict], verdict_sentence(result)),
        "lead": phrases.sentence(answer.where),
        "steps": steps,
        "leading": leading_views(findings),
    }


def _judged_by(checkup: Checkup) -> list[tuple[str, str]]:
    """Return what a job was held against: plan, databases, marks, readings."""
    last = checkup.evidence[-1]
    marks, readings = len(last.marks), last.readings
    offset = f", {last.marks_offset_s:+.3f} s to reach the recorder's clock" if last.marks_offset_s else ""
    return [
        ("plan", last.plan.file),
        ("databases", phrases.listed(last.plan.database.files)),
        ("marks", f"{phrases.counted(marks, 'mark')} of what the person did{offset}" if marks else "none given"),
        ("meter readings", phrases.counted(len(readings.values), "reading") if readings else "none given"),
        ("exercises needed", f"{last.plan.min_exercises} of a control, unless the plan says otherwise for it"),
        ("canlens", version()),
    ]


def _quoted(findings: Sequence[Finding], plan: Plan, traces: Sequence[Trace]) -> dict[int, Sequence[Quote]]:
    """Return the frames behind each finding, by its number."""
    return {
        number: tuple(
            quotes(
                traces[each.evidence.recording], plan.database, each.evidence.lines, wanted=_wanted(plan, each)
            ).values()
        )
        for number, each in enumerate(findings, 1)
        if each.evidence.lines and each.evidence.recording < len(traces)
    }


def _wanted(plan: Plan, finding: Finding) -> set[str]:
    """Return the signals that a finding is about: those of its outputs and their controls, of its controls, its own."""
    wanted = set(finding.subject)
    controls = set(finding.subject) & set(plan.controls)
    for name in set(finding.subject) & set(plan.outputs):
        output = plan.outputs[name]
        controls |= set(output.when.controls)
        references = [output.level, output.current, output.voltage, output.command and output.command.reference]
        wanted |= {each.path for each in references if each}
    return wanted | {plan.controls[name].condition.reference.path for name in controls}
