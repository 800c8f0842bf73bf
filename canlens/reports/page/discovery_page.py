"""A discovery as a page: for each control the winner beside the runner-up, and the slots that tell why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.discovery import chance_words, place_words
from canlens.reports import phrases
from canlens.reports.discovery_text import CAUTIONS, VERDICTS
from canlens.reports.page.assembling import assembled, asset, inline
from canlens.reports.page.views import Row, Step, Verdict, recording_subtitle, recording_view

if TYPE_CHECKING:
    from canlens.results.discover import ControlDiscovery, DiscoveryResult, FieldRow, FoundPlace, MarksResult, SlotKind


SLOTS_A_LINE = 20
CANDIDATES_SHOWN = 3
MIRRORS_SHOWN = 6
FIELDS_SHOWN = 12
HEADINGS = ("place", "with it", "without it", "as good by chance", "after, ms")
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
    named = all(each.named for each in result.controls.values())
    dropped = next((each.dropped for each in result.controls.values()), None)
    kinds = ("counters", "checksums", "clocks", "toggles")
    return assembled(
        "discovery.html",
        (),
        kind="Search for the bits of controls",
        title=f"The bits of {phrases.listed(list(result.controls))}" if result.controls else "No control",
        subtitle=recording_subtitle(result.recording),
        sections=[("answer", "The answer"), *_anchors(result), ("marks", "Marks"), ("recording", "Recording"),
                  ("cautions", "Cautions")],
        verdict=Verdict("seen" if named else "cannot-tell", VERDICTS[result.verdict], result.sentence),
        lead="A bit that follows a control is the control itself, or something that answers it.",
        steps=_steps(result),
        own_style=inline(asset("discovery.css")),
        controls=[_control(number, name, row) for number, (name, row) in enumerate(result.controls.items(), 1)],
        headings=HEADINGS,
        numeric=NUMERIC,
        marks=_marks_rows(result),
        dropped=[(kind, _fields(getattr(dropped, kind))) for kind in kinds] if dropped else [],
        recordings=[recording_view(result.recording)],
        cautions=CAUTIONS,
    )  # fmt: skip


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
    steps += [Step("next", "Do next", f"{name}: {row.next_step}") for name, row in first]
    return steps


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
        phrases.milliseconds(each.latency_s),
    )
    return Row(cells, tuple(_remarks(each)))


def _remarks(each: FoundPlace) -> list[str]:
    """Say what else is known of a place."""
    told = []
    if each.known is not None:
        told.append(f"The database knows these bits as {each.known}.")
    elif each.message is not None:
        told.append(f"In message {each.message}; the database has no signal there.")
    if each.mirrors:
        more = f", and {len(each.mirrors) - MIRRORS_SHOWN} more" if len(each.mirrors) > MIRRORS_SHOWN else ""
        some = "; ".join(place_words(mirror) for mirror in each.mirrors[:MIRRORS_SHOWN])
        told.append(f"The same in every slot: {some}{more}.")
    if each.shift_chance is not None:
        told.append(
            f"By the chance model {chance_words(each.chance)}; shifted against the recording, the marks fit as well in "
            f"{phrases.percent(each.shift_chance)} of tries."
        )
    if each.lines:
        which = f"line{'s' * (len(each.lines) > 1)} {phrases.listed([str(line) for line in each.lines])}"
        told.append(f"It went on in {which} of the recording.")
    return told


def _marks_rows(result: DiscoveryResult) -> list[tuple[str, str]]:
    """Return how the marks lie against the log, and what was searched."""
    marks = result.marks
    return [
        ("marks", f"{phrases.counted(marks.exercises, 'exercise')}, {phrases.counted(marks.rests, 'slot')} left alone"),
        ("outside", f"{phrases.counted(marks.outside, 'mark')} outside the recording" if marks.outside else ""),
        ("clocks", _clocks(marks)),
        ("searched", f"{result.bits_changing} bits that change; {result.places_tried} places and values"),
    ]


def _clocks(marks: MarksResult) -> str:
    """Say how the marks were brought to the log's clock."""
    if marks.offset_source == "as-written":
        return "the marks were taken as they are written"
    sure = f" ± {marks.offset_uncertainty_s:.2f} s" if marks.offset_uncertainty_s is not None else ""
    return f"the marks were moved by {marks.offset_s:+.2f} s{sure} to meet what follows them"


def _fields(found: tuple[FieldRow, ...]) -> str:
    """Name fields that change all the time by themselves."""
    told = [f"{each.identifier} from bit {each.start_bit}, {each.length} bits" for each in found[:FIELDS_SHOWN]]
    more = f"; and {len(found) - FIELDS_SHOWN} more" if len(found) > FIELDS_SHOWN else ""
    return "; ".join(told) + more
