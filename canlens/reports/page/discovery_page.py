"""A discovery as a page: for each control the winner beside the runner-up, and the slots that tell why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.discovery import place_words
from canlens.reports.discovery_text import CAUTIONS
from canlens.reports.facts import CANDIDATES_SHOWN, candidate_remarks, dropped_facts, marks_facts, recording_words
from canlens.reports.headlines import Answer, Step, next_steps
from canlens.reports.page.assembling import assembled, asset, inline
from canlens.reports.page.views import Row, answer_view, recording_view, section_links
from canlens.wording import chance_words

if TYPE_CHECKING:
    from canlens.results.discover import ControlDiscovery, DiscoveryResult, FoundPlace, SlotKind


SLOTS_A_LINE = 20
HEADINGS = ("place", "with it", "without it", "as good by chance", "after, ms")
LEAD = "A bit that follows a control is the control itself, or something that answers it."
NUMERIC = (1, 2, 4)
DONE: dict[SlotKind, tuple[str, str, str]] = {
    "exercise": ("operated", "●", "operated"),
    "rest": ("alone", "○", "left alone"),
    "other": ("other", "△", "another control operated"),
}
"""Class, sign and word of what was done in a slot."""
TICKS: dict[tuple[bool, bool | None], tuple[str, str, str]] = {
    (True, True): ("with", "✓", "on and off with it"),
    (True, False): ("missed", "✗", "missed"),
    (False, False): ("still", "·", "still"),
    (False, True): ("stray", "!", "on and off without it"),
    (True, None): ("unheard", "?", "not heard"),
    (False, None): ("unheard", "?", "not heard"),
}
"""The same of what a place did, by whether the control was operated and whether the place went on and off."""


def discovery_page(result: DiscoveryResult) -> str:
    """Write a discovery as one HTML file that opens from disk."""
    return assembled(
        "discovery.html",
        (),
        kind="Search for the bits of controls",
        title=f"The bits of {wording.listed(list(result.controls))}" if result.controls else "No control",
        subtitle=recording_words(result.recording),
        sections=[*section_links("answer"), *_anchors(result), *section_links("marks recording cautions")],
        **answer_view(Answer.of(result.verdict, result.sentence, LEAD, _steps(result))),
        own_style=inline(asset("discovery.css")),
        controls=[_control(number, name, row) for number, (name, row) in enumerate(result.controls.items(), 1)],
        headings=HEADINGS,
        numeric=NUMERIC,
        marks=marks_facts(result),
        dropped=dropped_facts(next((each.dropped for each in result.controls.values()), None)),
        recordings=[recording_view(result.recording)],
        cautions=CAUTIONS,
    )


def _anchors(result: DiscoveryResult) -> list[tuple[str, str]]:
    """Return a link to each control."""
    return [(f"control-{number}", name) for number, name in enumerate(result.controls, 1)]


def _steps(result: DiscoveryResult) -> list[Step]:
    """Return a line for each control, and what to do next."""
    steps = [
        Step(
            "plain",
            name,
            place_words(row.candidates[0]) if row.named and row.candidates else "not named",
        )
        for name, row in result.controls.items()
    ]
    waiting = [(name, row) for name, row in result.controls.items() if not row.named]
    first = (waiting or list(result.controls.items()))[:1]
    return steps + [step for name, row in first for step in next_steps(f"{name}: {row.next_step}")]


def _control(number: int, name: str, row: ControlDiscovery) -> dict[str, object]:
    """Return what the page shows of one control."""
    shown = row.candidates[:CANDIDATES_SHOWN]
    return {
        "anchor": f"control-{number}",
        "name": name,
        "state": "seen" if row.named else "cannot-tell",
        "word": "named" if row.named else "not named",
        "weaker": row.strength == "weaker",
        "reason": row.reason,
        "next": row.next_step,
        "lines": _lines(name, row),
        "rows": [_candidate(each, row) for each in shown],
        "levels": [
            f"A number moves with it: {place_words(each)}, in {each.answered} of {row.exercises} exercises."
            for each in row.levels
        ],
    }


def _lines(name: str, row: ControlDiscovery) -> list[dict[str, object]]:
    """Return the slots in lines of a few, each with the rows that stand in it."""
    best = list(zip(("best place", "next best"), row.candidates, strict=False))
    lines: list[dict[str, object]] = []
    for begin in range(0, len(row.slots), SLOTS_A_LINE):
        slots = row.slots[begin : begin + SLOTS_A_LINE]
        rows = [("operated?", [DONE[slot.kind] for slot in slots])]
        for title, each in best:
            ticks = each.ticks[begin : begin + SLOTS_A_LINE]
            rows.append(
                (title, [TICKS[slot.kind == "exercise", tick] for slot, tick in zip(slots, ticks, strict=True)])
            )
        lines.append(
            {
                "caption": f"Slots {begin + 1} to {begin + len(slots)} of {len(row.slots)} for {name}",
                "spare": SLOTS_A_LINE - len(slots) if begin else 0,
                "times": [f"{slot.time_s:.1f} s" for slot in slots],
                "rows": rows,
            }
        )
    return lines


def _candidate(each: FoundPlace, row: ControlDiscovery) -> Row:
    """Return the row of a place that may show a control."""
    alone = row.rests + row.others
    cells = (
        place_words(each),
        f"{each.answered} of {row.exercises}",
        f"{each.stray} of {alone}" if alone else "–",
        chance_words(each.chance),
        wording.milliseconds(each.latency_s),
    )
    return Row(cells, (*candidate_remarks(each), *_line_remarks(each)))


def _line_remarks(each: FoundPlace) -> list[str]:
    """Name the lines of the log in which a place went on."""
    noun = "line" if len(each.lines) == 1 else "lines"
    return [f"It went on in {noun} {wording.listed(map(str, each.lines))} of the recording."] if each.lines else []
