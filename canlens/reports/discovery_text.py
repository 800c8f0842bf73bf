"""Text of a discovery: which bits follow each control, with the slots to see why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.discovery import place_words
from canlens.reports import phrases
from canlens.reports.facts import CANDIDATES_SHOWN, candidate_remarks, dropped_facts, marks_facts, recording_words
from canlens.reports.layout import Page
from canlens.reports.text_sections import add_cautions
from canlens.wording import chance_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.results.discover import (
        ControlDiscovery,
        DiscoveryResult,
        FoundPlace,
    )


SLOTS_A_LINE = 60
ON, OTHER, OFF = "█", "▄", "·"
CAUTIONS = (
    "Vehicle parked and secured; a second person at the controls; nobody under it or near its horn.",
    *phrases.CAUTIONS[2:4],
)


def discovery_text(result: DiscoveryResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a discovery as plain text; parameters as those of :func:`.check_text`."""
    page = Page(encoding)
    page.paragraph(f"{wording.VERDICTS[result.verdict]} – {result.sentence}")
    for name, row in result.controls.items():
        _add_control(page, name, row)
    page.heading("MARKS AND RECORDING")
    recording = f"{result.recording.file or 'in memory'}, {recording_words(result.recording)}"
    page.facts([("recording", recording), *marks_facts(result)], indent=2)
    dropped = dropped_facts(next((each.dropped for each in result.controls.values()), None))
    if any(found for _, found in dropped):
        page.heading("FIELDS THAT CHANGE BY THEMSELVES")
        page.facts(dropped, indent=2)
    add_cautions(page, CAUTIONS)
    return page.text()


def _add_control(page: Page, name: str, row: ControlDiscovery) -> None:
    """Add what was found of one control."""
    weaker = ", weaker: no slot was left alone" if row.strength == "weaker" else ""
    page.heading(f"{name}: {'named' if row.named else 'not named'}{weaker}")
    page.paragraph(row.reason)
    shown = row.candidates[:CANDIDATES_SHOWN]
    if shown:
        page.gap()
        _add_slots(page, row, shown[:2])
        page.gap()
        _add_candidates(page, row, shown)
    for level in row.levels:
        page.paragraph(f"A number moves with it: {place_words(level)} ({level.answered} of {row.exercises} exercises).")
    for each in row.messages:
        name = f"{each.identifier} ({each.message})" if each.message else each.identifier
        page.paragraph(
            f"Message {name} came only with it: in {each.answered} of {row.exercises} exercises and in "
            f"{each.stray or 'none'} of {row.rests + row.others} slots without it."
        )
    page.paragraph(row.next_step, first="Next:", indent=2)


def _add_slots(page: Page, row: ControlDiscovery, shown: Sequence[FoundPlace]) -> None:
    """Add the slots as rows of ticks, the operated ones above what the best two places did."""
    signs = {"exercise": ON, "other": OTHER, "rest": OFF}
    done = "".join(signs[slot.kind] for slot in row.slots)
    rows = [("operated", done)]
    titles = ("best place", "next best")
    for title, each in zip(titles, shown, strict=False):
        rows.append((title, "".join(ON if tick else OFF for tick in each.ticks)))
    for begin in range(0, len(done), SLOTS_A_LINE):
        page.strips([(title, ticks[begin : begin + SLOTS_A_LINE]) for title, ticks in rows], widest=16)
    other = f" {OTHER} another control;" if row.others else ""
    page.paragraph(f"each slot: {ON} operated, or on and off;{other} {OFF} left alone, or still")


def _add_candidates(page: Page, row: ControlDiscovery, shown: Sequence[FoundPlace]) -> None:
    """Add the best places as a table."""
    alone = row.rests + row.others
    cells = [
        (
            f"{number}.",
            place_words(each),
            f"{each.answered} of {row.exercises}",
            f"{each.stray} of {alone}" if alone else "–",
            chance_words(each.chance),
            "–" if each.latency_s is None else f"{wording.milliseconds(each.latency_s)} ms",
        )
        for number, each in enumerate(shown, 1)
    ]
    remarks = [candidate_remarks(each) for each in shown]
    late = "after mark" if shown[0].latency_from == "mark" else "after quickest"
    page.table(("", "place", "with it", "without", "as good by chance", late), cells, remarks=remarks)
