"""Sections that text reports share: the findings, the likely causes, the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import words
from canlens.reports.cause_words import as_read, cause_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.findings import Cause, Finding
    from canlens.reports.layout import Page

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
