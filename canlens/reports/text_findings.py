"""Sections that text reports share: the findings, the likely causes, the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes import ALL
from canlens.reports import words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.findings import Cause, Finding
    from canlens.reports.layout import Page

LIKELY = 0.5
"""A cause above this is named at the head of the page."""
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
    weight = list(words.SEVERITIES)
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
        subject = f", {words.listed(finding.subject)}" if finding.subject else ""
        safety = ", safety item" if finding.safety else ""
        page.paragraph(f"{words.SEVERITIES[finding.severity]}{subject}{safety}", first=f"{number}.", indent=4)
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
        parts.append(f"at {_some('', [words.seconds(time) for time in evidence.times_s])} s")
    where = "; ".join(parts)
    if several:
        where = f"recording {evidence.recording + 1}: {where}"
    return where


def _some(noun: str, values: list[str]) -> str:
    more = f" and {len(values) - LINES_SHOWN} more" if len(values) > LINES_SHOWN else ""
    label = f"{noun}{'s' if len(values) > 1 else ''} " if noun else ""
    return f"{label}{words.listed(values[:LINES_SHOWN])}{more}"


def add_causes(page: Page, causes: tuple[Cause, ...]) -> None:
    """Add the causes that the evidence speaks for, each with its next test; nothing where there are none."""
    if not causes:
        return
    page.heading("LIKELY CAUSES, the likeliest first")
    page.paragraph("Each by itself; two faults at once may both stand high.")
    for cause in sorted(causes, key=lambda each: -each.probability):
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


def cause_title(cause: Cause) -> str:
    """Return in plain words what is wrong; the name of a cause that the catalogue does not have."""
    page = next((each.docstring for each in ALL if each.name == cause.cause), f"{cause.cause}: {cause.cause}.")
    return page.partition("\n")[0].partition(": ")[2].rstrip(".")


def cause_name(cause: Cause) -> str:
    """Return a cause with what it concerns."""
    subject = f": {words.listed(cause.subject)}" if cause.subject else ""
    return f"{cause.cause}{subject} ({cause.scope})"


def likely_cause(causes: Sequence[Cause]) -> Cause | None:
    """Return the likeliest of some causes; None where none is likely, or it names no test."""
    likely = max(causes, key=lambda cause: cause.probability, default=None)
    return likely if likely is not None and likely.probability > LIKELY and likely.next_test else None


def likely_words(cause: Cause) -> str:
    """Say a cause in plain words, with its probability and its name."""
    subject = f"{words.listed(cause.subject)}: " if cause.subject else ""
    return f"{subject}{cause_title(cause)}, {cause.probability * 100:.0f} % ({cause.cause})"
