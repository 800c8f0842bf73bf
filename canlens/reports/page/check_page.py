"""A checked job as a page: the answer first, then everything it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports import phrases
from canlens.reports.facts import recording_words
from canlens.reports.headlines import Step, check_answer
from canlens.reports.page import job_views
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import (
    answer_view,
    cause_views,
    finding_views,
    leading_views,
    recording_view,
    section_links,
)
from canlens.reports.phrases import untested
from canlens.reports.pictures import check_pictures
from canlens.reports.text_sections import by_severity
from canlens.results.form import version

if TYPE_CHECKING:
    from canlens.checkup import Checkup
    from canlens.nouns.pictures import Drawn
    from canlens.reports.headlines import Answer
    from canlens.results.check import CheckResult
    from canlens.results.finding import Finding


SECTIONS = "answer chain timeline table bus untested recording causes findings cautions"


def check_page(checkup: Checkup, drawn: Drawn) -> str:
    """Write a checked job as one HTML file.

    Parameters
    ----------
    checkup
        The job.
    drawn
        What the page shows besides, from :meth:`.Checkup.drawn`.
    """
    result, plan = checkup.result, checkup.evidence[-1].plan
    findings = by_severity(result.findings)
    several = len(result.recordings) > 1
    bus = checkup.evidence[-1].bus_evidence
    return assembled(
        "check.html",
        check_pictures(result, drawn) if any(each.duration_s > 0 for each in result.recordings) else (),
        kind="Check of an install",
        title=result.title or "Job without a title",
        subtitle=wording.counted(len(result.recordings), "recording")
        if several
        else recording_words(result.recordings[0]),
        sections=section_links(SECTIONS, causes=result.causes),
        **answer_view(_answer(result, findings)),
        leading=leading_views(findings),
        outputs=job_views.output_views(result, plan, findings),
        matrices=[
            job_views.matrix_view(each, result, f" in recording {number}" if several else "")
            for number, each in enumerate(drawn.crossings, 1)
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
        findings=finding_views(findings, drawn.quotes, several=several),
        cautions=phrases.CAUTIONS,
    )


def _answer(result: CheckResult, findings: list[Finding]) -> Answer:
    """Return the first screen: verdict, where it fails, likely cause, one next step with its caution."""
    answer = check_answer(result, findings)
    if result.verdict != "proven":
        return answer
    left = Step("plain", "Not tested", " ".join(each.what for each in untested(result)))
    return answer._replace(steps=(*answer.steps, left))


def _judged_by(checkup: Checkup) -> list[tuple[str, str]]:
    """Return what a job was held against: plan, databases, marks, readings."""
    last = checkup.evidence[-1]
    marks, readings = len(last.marks), last.readings
    offset = f", {last.marks_offset_s:+.3f} s to reach the recorder's clock" if last.marks_offset_s else ""
    return [
        ("plan", last.plan.file),
        ("databases", wording.listed(last.plan.database.files)),
        ("marks", f"{wording.counted(marks, 'mark')} of what the person did{offset}" if marks else "none given"),
        ("meter readings", wording.counted(len(readings.values), "reading") if readings else "none given"),
        ("exercises needed", f"{last.plan.min_exercises} of a control, unless the plan says otherwise for it"),
        ("canlens", version()),
    ]
