"""Strips: the chain of every output in nine signs, and what happened when, in a line of signs each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.reports import words
from canlens.reports.layout import GAP, WIDTH, display_width

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.measures.lanes import Lane
    from canlens.reports.layout import Page
    from canlens.results import OutputResult, RecordingResult

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
    names = [f"{number} {name}" for number, name in enumerate(words.LINK_NAMES.values(), 1)]
    third = len(names) // 3
    for row in range(third):
        page.paragraph("", first="".join(f"{name:<24}" for name in names[row::third]))
    marks = words.LINK_MARKS
    page.paragraph(
        f"{marks['seen']} seen, {marks['broken']} broken, {marks['cannot-tell']} cannot be told from this recording"
    )
    page.gap()
    rows = [(name, f"{_strip(each)}  {_in_words(each)}") for name, each in outputs.items()]
    page.strips([("link", "123 456 789"), *rows], widest=CHAIN_NAMES)


def _strip(output: OutputResult) -> str:
    """Return the nine signs of an output, three by three as the list of links above them stands."""
    signs = [words.LINK_MARKS[output.links[link]] for link in words.LINK_NAMES]
    return " ".join("".join(signs[at : at + 3]) for at in range(0, len(signs), 3))


def _in_words(output: OutputResult) -> str:
    """Say the first broken link; where none is, those that were not shown, by number."""
    order = list(words.LINK_NAMES)
    if output.first_broken_link is not None:
        number = order.index(output.first_broken_link) + 1
        return f"broken at {number}, {words.LINK_NAMES[output.first_broken_link]}"
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
