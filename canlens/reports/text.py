"""Text: the result of a check as a page of 80 columns, the answer first, with chains and lanes as lines of signs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens import wording
from canlens.reports import phrases
from canlens.reports.facts import rest_facts
from canlens.reports.headlines import check_answer
from canlens.reports.layout import GAP, WIDTH, Page, display_width
from canlens.reports.text_sections import (
    add_answer,
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

    from canlens.nouns.bus import RecordingResult
    from canlens.nouns.pictures import Lane
    from canlens.results.check import CheckResult, OutputResult


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
    names = [f"{number} {name}" for number, name in enumerate(wording.LINKS.values(), 1)]
    third = len(names) // 3
    for row in range(third):
        page.paragraph("", first="".join(f"{name:<24}" for name in names[row::third]))
    marks = {state: sign for state, (sign, _) in wording.LINK_STATES.items()}
    page.paragraph(
        f"{marks['seen']} seen, {marks['broken']} broken, {marks['cannot-tell']} cannot be told from this recording"
    )
    page.gap()
    rows = [(name, f"{_strip(each)}  {_in_words(each)}") for name, each in outputs.items()]
    page.strips([("link", "123 456 789"), *rows], widest=CHAIN_NAMES)


def _strip(output: OutputResult) -> str:
    """Return the nine signs of an output, three by three as the list of links above them stands."""
    signs = [wording.LINK_STATES[output.links[link]][0] for link in wording.LINKS]
    return " ".join("".join(signs[at : at + 3]) for at in range(0, len(signs), 3))


def _in_words(output: OutputResult) -> str:
    """Say the first broken link; where none is, those that were not shown, by number."""
    order = list(wording.LINKS)
    if output.first_broken_link is not None:
        number = order.index(output.first_broken_link) + 1
        return f"broken at {number}, {wording.LINKS[output.first_broken_link]}"
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
        f"Outputs: {_ANSWERED} exercise answered, {_MISSED} no or late answer, {_UNASKED} {wording.OUTCOMES['unasked']}"
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
    add_answer(page, check_answer(result, findings))
    add_outputs(page, result)
    add_chain(page, result.outputs)
    add_time_lines(page, result.recordings, lanes)
    add_findings(page, findings, recordings=len(result.recordings))
    add_causes(page, result.causes)
    add_untested(page, result)
    add_controls(page, result.controls)
    add_recordings(page, result)
    add_bus(page, result)
    if rest := rest_facts(result.quiet):
        page.heading("AWAKE AND ASLEEP")
        page.facts(rest)
    add_cautions(page, phrases.CAUTIONS)
    return page.text()


def answer_text(result: CheckResult, *, encoding: str = "utf-8") -> str:
    """Write only the head of the page: the verdict, where it fails or what is missing, what to do next."""
    page = Page(encoding)
    add_answer(page, check_answer(result, by_severity(result.findings)))
    return page.text()
