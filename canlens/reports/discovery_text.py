"""Text of a discovery: which bits follow each control, with the slots to see why."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.discovery import chance_words, meaning, place_words
from canlens.reports import phrases
from canlens.reports.layout import Page
from canlens.reports.text_sections import add_cautions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.results.discover import (
        ControlDiscovery,
        DiscoverVerdict,
        DiscoveryResult,
        Dropped,
        FieldRow,
        FoundPlace,
        MarksResult,
        Place,
    )


VERDICTS: dict[DiscoverVerdict, str] = {"named": "EVERY CONTROL NAMED", "not-named": "NOT EVERY CONTROL NAMED"}
CANDIDATES_SHOWN = 3
MIRRORS_SHOWN = 6
FIELDS_SHOWN = 8
SLOTS_A_LINE = 60
ON, OTHER, OFF = "█", "▄", "·"
CAUTIONS = (
    "Vehicle parked and secured; a second person at the controls; nobody under it or near its horn.",
    *phrases.CAUTIONS[2:4],
)


def discovery_text(result: DiscoveryResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a discovery as plain text.

    Parameters
    ----------
    result
        What was found.
    encoding
        What the console can show; signs it lacks are replaced before the lines are wrapped.

    Returns
    -------
    str
        Lines of at most 80 columns with a newline at the end: the answer, then for each control the best place beside
        the next one, and the slots in which each went on and off.
    """
    page = Page(encoding)
    page.paragraph(f"{VERDICTS[result.verdict]} – {result.sentence}")
    for name, row in result.controls.items():
        _add_control(page, name, row)
    _add_marks(page, result)
    dropped = next((each.dropped for each in result.controls.values()), None)
    if dropped is not None:
        _add_dropped(page, dropped)
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
            _place_cell(each),
            f"{each.answered} of {row.exercises}",
            f"{each.stray} of {alone}" if alone else "–",
            chance_words(each.chance),
            "–" if each.latency_s is None else f"{phrases.milliseconds(each.latency_s)} ms",
        )
        for number, each in enumerate(shown, 1)
    ]
    remarks = [_remarks(each) for each in shown]
    late = "after mark" if shown[0].latency_from == "mark" else "after quickest"
    page.table(("", "place", "with it", "without", "as good by chance", late), cells, remarks=remarks)


def _place_cell(place: Place) -> str:
    """Name a place in few signs."""
    byte, bit = divmod(place.start_bit, 8)
    bits = f"bit {bit}" if place.length == 1 else f"bits {bit}-{bit + place.length - 1}"
    return f"{place.identifier} byte {byte} {bits}, {meaning(place)}"


def _remarks(each: FoundPlace) -> list[str]:
    """Say what else is known of a place: its names, its mirrors, the test by shifts."""
    told = []
    if each.known is not None:
        told.append(f"The database knows these bits as {each.known}.")
    elif each.message is not None:
        told.append(f"In message {each.message}; the database has no signal there.")
    if each.mirrors:
        some = [_place_cell(mirror) for mirror in each.mirrors[:MIRRORS_SHOWN]]
        more = f", and {len(each.mirrors) - MIRRORS_SHOWN} more" if len(each.mirrors) > MIRRORS_SHOWN else ""
        told.append(f"The same in every slot: {'; '.join(some)}{more}.")
    if each.shift_chance is not None:
        told.append(
            f"By the chance model alone {chance_words(each.chance)}; shifted against the recording, all marks fit as "
            f"well in {100 * each.shift_chance:.1f} % of tries."
        )
    return told


def _add_marks(page: Page, result: DiscoveryResult) -> None:
    page.heading("MARKS AND RECORDING")
    page.facts(
        [
            ("recording", f"{result.recording.file or 'in memory'}, {result.recording.duration_s:.1f} s"),
            ("marks", _marks(result.marks)),
            ("clocks", _clocks(result.marks)),
            ("searched", f"{result.bits_changing} bits that change, {result.places_tried} places and values"),
        ],
        indent=2,
    )


def _marks(marks: MarksResult) -> str:
    told = f"{phrases.counted(marks.exercises, 'exercise')}, {phrases.counted(marks.rests, 'slot')} left alone"
    return f"{told}, {marks.outside} outside the recording" if marks.outside else told


def _clocks(marks: MarksResult) -> str:
    """Say how the marks lie against the log."""
    read = "the log's own stamps" if marks.counted_from == "stamps" else "seconds from the first frame"
    if marks.offset_source == "as-written":
        how = f"marks were taken as written, as {read}"
    else:
        sure = f" ± {marks.offset_uncertainty_s:.2f} s" if marks.offset_uncertainty_s is not None else ""
        how = f"marks, read as {read}, must be moved by {marks.offset_s:+.2f} s{sure} to meet what follows them"
    return f"{how}; single marks lie off by about {marks.scatter_s:.2f} s" if marks.scatter_s is not None else how


def _add_dropped(page: Page, dropped: Dropped) -> None:
    """Add the fields that change all the time by themselves."""
    rows = [(what, list(getattr(dropped, what))) for what in ("counters", "checksums", "clocks", "toggles")]
    if not any(found for _, found in rows):
        return
    page.heading("FIELDS THAT CHANGE BY THEMSELVES")
    page.facts([(what, _fields(found)) for what, found in rows], indent=2)


def _fields(found: Sequence[FieldRow]) -> str:
    told = [f"{each.identifier} from bit {each.start_bit}, {each.length} bits" for each in found[:FIELDS_SHOWN]]
    more = f", and {len(found) - FIELDS_SHOWN} more" if len(found) > FIELDS_SHOWN else ""
    return "; ".join(told) + more
