"""Discovery: a recording and what a person did meanwhile, and which bits of the bus went along."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from canlens.database import Database
from canlens.errors import UsageError
from canlens.measures.discovering.chances import LEAST_RESTS, more_exercises
from canlens.measures.discovering.marks import NAMED_AT
from canlens.measures.discovering.places import BIT, LEVEL, bits_of
from canlens.measures.discovering.searching import search
from canlens.measures.gathering import on_channel
from canlens.measures.quality import recording
from canlens.measures.traffic.intervals import intervals
from canlens.measures.traffic.silences import awake
from canlens.plan import Marks
from canlens.plan.nouns import REST
from canlens.results.discover import (
    ControlDiscovery,
    DiscoveryResult,
    Dropped,
    FieldRow,
    FoundPlace,
    MarksResult,
    MessageRow,
    Place,
    Slot,
    discovery_form,
)
from canlens.trace import Kind
from canlens.wording import chance_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

    from canlens.database import Message
    from canlens.measures.discovering.leads import Group
    from canlens.measures.discovering.places import TriedPlace
    from canlens.measures.discovering.searching import Search, Searched
    from canlens.measures.traffic.intervals import Intervals
    from canlens.plan import Mark
    from canlens.results.discover import CandidateKind, DiscoverVerdict, SlotKind
    from canlens.trace import Rows, Trace


HARDLY = 0.5
"""A place that chance equals this often is no lead."""


def is_lead(best: FoundPlace, exercises: int) -> bool:
    """Tell whether a place is worth following up: chance seldom does as well, or it has missed nothing so far."""
    return best.chance <= HARDLY or (best.answered == exercises and not best.stray)


def sentence_of(controls: Mapping[str, ControlDiscovery]) -> str:
    """Say in one sentence what was found of all controls."""
    named = [name for name, each in controls.items() if each.named]
    rest = [name for name in controls if name not in named]
    if not rest:
        many = "The control was named" if len(named) == 1 else f"All {len(named)} controls were named"
        return f"{many}: {', '.join(named)}."
    if not named:
        return f"Nothing was named for {', '.join(rest)}."
    return f"Named: {', '.join(named)}. Not named: {', '.join(rest)}."


def place_words(place: Place) -> str:
    """Name a place: message, byte and bits, and the value that means on."""
    name = f" ({place.message})" if place.message else ""
    byte, bit = divmod(place.start_bit, 8)
    last = bit + place.length - 1
    bits = f"bit {bit}" if place.length == 1 else f"bits {bit} to {last}"
    if place.length == 8 and not bit:  # noqa: PLR2004 – a whole byte
        where = f"byte {byte}"
    elif place.length > 8 - bit:
        other = byte + (-1 if place.byte_order == "motorola" else 1)
        where = f"bytes {byte} and {other}"
    else:
        where = f"byte {byte}, {bits}"
    return f"{place.identifier}{name}, {where}, {meaning(place)}"


def meaning(place: Place) -> str:
    """Say when a place is on."""
    if place.above is not None:
        return f"above {place.above}"
    if place.below is not None:
        return f"below {place.below}"
    return f"on = {place.on}"


def reason_of(row: ControlDiscovery, *, bits: int, shared_with: Sequence[str], known: bool) -> str:
    """Say why a control is named, or why not."""
    best = row.candidates[0] if row.candidates else None
    if best is None or not is_lead(best, row.exercises):
        return _nothing(row, best, bits, known=known)
    told = f"{place_words(best)}: on and off in {best.answered} of {row.exercises} exercises and {_stray(row, best)}"
    if row.named:
        return f"{told}. One of the {bits} bits that change would do so by chance {chance_words(best.chance)}."
    if shared_with:
        return f"{told}. It follows {', '.join(shared_with)} as well, so it cannot be told whose it is."
    if best.chance <= NAMED_AT and best.shift_chance is not None:
        return (
            f"{told}. Shifted against the recording the marks fit as well in {100 * best.shift_chance:.0f} % of tries."
        )
    return f"{told}. That is too little to name it: it happens by chance {chance_words(best.chance)}."


def _stray(row: ControlDiscovery, best: FoundPlace) -> str:
    """Say in how many slots without the control a place went on all the same."""
    alone = row.rests + row.others
    if not alone:
        return "no slot was left alone to compare"
    return f"in {best.stray or 'none'} of {alone} slots without it"


def _nothing(row: ControlDiscovery, best: FoundPlace | None, bits: int, *, known: bool) -> str:
    """Say that nothing was found, and how near the best came."""
    if not bits:
        return "No payload changes in this recording."
    if best is None:
        which = "none that the database does not know" if known else "none"
        return f"Of the {bits} bits that change, {which} went on and off with it."
    return (
        f"None of the {bits} bits that change follows it beyond chance. The best, {place_words(best)}, went along in "
        f"{best.answered} of {row.exercises} exercises and {_stray(row, best)}; some bit does as well by chance "
        f"{chance_words(best.chance)}."
    )


def step_of(row: ControlDiscovery, *, shared_with: Sequence[str]) -> str:
    """Say what to do next."""
    if row.named:
        return (
            "Confirm it: operate the control once more and see these bits change. Marked operations tell what follows "
            "a control, not what causes what."
        )
    if shared_with:
        return f"Operate it and {', '.join(shared_with)} in slots of their own, drawn at random."
    more = row.more_exercises
    if more is None:
        return (
            "More exercises would hardly settle it: the control may not speak on this bus. Record another bus or "
            "channel, and check that marks and recording belong together."
        )
    if row.strength == "weaker":
        return (
            f"Record a session of {more} exercises in {(1 + LEAST_RESTS) * more} slots drawn at random, and mark the "
            "slots left alone as rest: that can be tested exactly."
        )
    best = row.candidates[0] if row.candidates else None
    if best is None or not is_lead(best, row.exercises):
        return (
            "If this session was done with care, the control may not speak on this bus: record another bus or channel. "
            f"A new session needs {more} answered exercises in {(1 + LEAST_RESTS) * more} slots to name a bit."
        )
    many = "One more exercise" if more == 1 else f"{more} more exercises"
    return f"{many}, all answered, with {LEAST_RESTS} slots left alone to each, would settle it."


# Discovery rows: what a search found, as the rows of its result.


KINDS: tuple[CandidateKind, ...] = ("bit", "field", "level")
LINES_SHOWN = 12


@dataclass(frozen=True, eq=False)
class SearchScene:
    """A search with the recording and the database it was made on."""

    trace: Trace
    database: Database
    found: Search
    intervals: Intervals

    def rows_of(self, stream: int) -> Rows:
        """Return the rows of a stream's frames."""
        together = self.found.streams
        return together.rows[together.start[stream] : together.start[stream + 1]]

    def channel_of(self, stream: int) -> str:
        """Return the name of a stream's channel."""
        number = int(self.found.streams.channel[stream])
        return self.trace.channels[number] if self.trace.channels else ""

    def frame_of(self, stream: int) -> dict[str, Any]:
        """Return what names a stream in a result."""
        together = self.found.streams
        return {
            "identifier": f"0x{int(together.identifier[stream]):x}",
            "is_extended": bool(together.is_extended[stream]),
            "channel": self.channel_of(stream),
        }

    def message_of(self, stream: int) -> Message | None:
        """Return what the database knows of a stream's identifier."""
        together = self.found.streams
        return self.database.with_identifier(
            int(together.identifier[stream]),
            is_extended=bool(together.is_extended[stream]),
            channel=self.channel_of(stream) or None,
        )

    def known(self, place: TriedPlace) -> str | None:
        """Return the path of the database's signal that covers a place; None where there is none."""
        message = self.message_of(place.stream)
        if message is None:
            return None
        mask = bits_of(place)
        covering = [each for each in message.signals if each.bits & mask]
        return f"{message.name}.{covering[0].name}" if covering else None


def place_row(scene: SearchScene, place: TriedPlace) -> Place:
    """Return a place with the names that the database has for it."""
    message = scene.message_of(place.stream)
    order: Literal["intel", "motorola"] = "motorola" if place.is_motorola else "intel"
    is_level = place.kind == LEVEL
    return Place(
        **scene.frame_of(place.stream),
        start_bit=place.start_bit,
        length=place.length,
        byte_order=order,
        on=None if is_level else place.on,
        above=place.limit if is_level and place.on else None,
        below=place.limit + 1 if is_level and not place.on else None,
        message=message.name if message else None,
        known=scene.known(place),
    )


def candidate_row(scene: SearchScene, searched: Searched, group: Group, *, shift_chance: float | None) -> FoundPlace:
    """Return a group of places that may show a control, with what speaks for it."""
    found = scene.found
    place = found.tried.places[group.lead]
    rows = scene.rows_of(place.stream)
    cycle_s = float(scene.intervals.cycle_s[place.stream])
    latency_s = np.maximum(group.lag_s + found.shift.shift_s - found.moved_s, 0.0)
    used = searched.exercises | searched.compared
    return FoundPlace(
        **vars(place_row(scene, place)),
        kind=KINDS[place.kind],
        answered=group.answered,
        stray=group.stray,
        chance=searched.chances.corrected(group.lead, times=searched.tries),
        single_chance=group.single,
        shift_chance=shift_chance,
        latency_s=_rounded(np.median(latency_s)) if len(latency_s) else None,
        latency_max_s=_rounded(latency_s.max()) if len(latency_s) else None,
        mirrors=tuple(place_row(scene, found.tried.places[index]) for index in group.mirrors),
        ticks=tuple(group.ticks[used].tolist()),
        lines=tuple(scene.trace.line[group.row[:LINES_SHOWN]].tolist()),
        cycle_time_s=_rounded(cycle_s) if np.isfinite(cycle_s) else None,
        payload_length=int(scene.trace.payload_length[rows].max()),
        is_fd=bool(scene.trace.is_fd[rows].any()),
        off=_off_value(scene, place),
        latency_from="mark" if found.moved_s == 0 else "quickest",
    )


def _rounded(seconds: float | np.floating) -> float:
    """Return seconds to the microsecond: stamps are no finer."""
    return round(float(seconds), 6)


def _off_value(scene: SearchScene, place: TriedPlace) -> int | None:
    """Return the raw value that a place has most often while it is not on; None for a level."""
    if place.kind == BIT:
        return 1 - place.on
    if place.kind == LEVEL:
        return None
    byte, shift = divmod(place.start_bit, 8)
    payload = scene.trace.payload[scene.rows_of(place.stream)].matrix(byte + 1)
    counts = np.bincount((payload[:, byte] >> shift) & ((1 << place.length) - 1), minlength=place.on + 1)
    counts[place.on] = 0
    return int(counts.argmax())


def message_rows(scene: SearchScene, searched: Searched) -> tuple[MessageRow, ...]:
    """Return the messages that came only with a control."""
    return tuple(
        MessageRow(
            **scene.frame_of(each.stream),
            message=message.name if (message := scene.message_of(each.stream)) else None,
            answered=each.answered,
            stray=each.stray,
            chance=each.chance,
        )
        for each in searched.came
    )


def slot_rows(found: Search, searched: Searched, control: str) -> tuple[Slot, ...]:
    """Return the slots that count for a control, in the log's seconds."""
    slots, moved_s = found.slots, found.moved_s
    used = np.flatnonzero(searched.exercises | searched.compared).tolist()
    rows = []
    for slot in used:
        label = slots.label[slot]
        kind: SlotKind = "exercise" if label == control else "rest" if slots.is_rest[slot] else "other"
        until_s = float(slots.until_s[slot] + moved_s)
        rows.append(
            Slot(kind, label, _rounded(slots.time_s[slot] + moved_s), None if np.isnan(until_s) else _rounded(until_s))
        )
    return tuple(rows)


def dropped_rows(scene: SearchScene) -> Dropped:
    """Return the fields that do the bus's own work and are not in the database."""
    found = scene.found.found
    rows = {
        each.name: tuple(
            FieldRow(**scene.frame_of(span.stream), start_bit=span.start_bit, length=span.length)
            for span in getattr(found, each.name)
        )
        for each in fields(Dropped)
    }
    return Dropped(**rows)


OUTSIDE = "All its marks lie outside the recording."


@dataclass(frozen=True)
class Discovery:
    """The answer of ``canlens discover``.

    Attributes
    ----------
    result
        What JSON and reports show.
    """

    result: DiscoveryResult

    @property
    def verdict(self) -> DiscoverVerdict:
        """``named`` if every marked control was, else ``not-named``."""
        return self.result.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return exactly what ``--json`` writes."""
        return discovery_form(self.result)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the result as pandas tables: ``controls``, ``candidates`` and the like."""
        import pandas as pd  # noqa: PLC0415 – slow to import, and only wanted here

        controls = self.to_dict()["controls"]
        lists = {"candidates", "levels", "slots", "dropped", "messages"}
        dropped = next(iter(controls.values()))["dropped"] if controls else {}
        tables = {
            "controls": [
                {"control": name, **{key: value for key, value in each.items() if key not in lists}}
                for name, each in controls.items()
            ],
            "dropped": [{"what": what, **row} for what, rows in dropped.items() for row in rows],
        }
        for which in ("candidates", "levels", "messages", "slots"):
            tables[which] = [{"control": name, **row} for name, each in controls.items() for row in each[which]]
        return {name: pd.DataFrame(rows) for name, rows in tables.items()}


def discover(
    trace: Trace, marks: Marks | Iterable[Mark], database: Database | None = None, *, channel: str | None = None
) -> Discovery:
    """Look for the bits that follow the controls a person operated.

    Parameters
    ----------
    trace
        The recording.
    marks
        What the person did, and ``rest`` for slots left alone.
    database
        Names what is known of the bus already.
    channel
        The channel to look at; None: all.

    Raises
    ------
    UsageError
        No control is marked; or the recording has frames, but none on the wanted channel.
    """
    marks = marks if isinstance(marks, Marks) else Marks(marks=tuple(marks))
    database = database or Database()
    if not any(mark.label != REST for mark in marks):
        raise UsageError(
            f"{marks.file or 'marks'}: expected at least one exercise, a line with the name of a control; found "
            f"{'only rest slots' if len(marks) else 'no marks'}. Mark when each control was operated."
        )
    chosen = on_channel(trace, channel)
    described = recording(chosen, database)
    if not (chosen.kind == Kind.DATA).any():
        return _without_frames(chosen, marks, database)
    found = search(chosen, marks.marks)
    together = found.streams
    measured = intervals(chosen, together, awake(chosen).number)
    scene = SearchScene(chosen, database, found, measured)
    dropped = dropped_rows(scene)
    names = dict.fromkeys(mark.label for mark in marks if mark.label != REST)
    rows = {
        name: _control(scene, name, found.controls[name], dropped)
        if name in found.controls
        else ControlDiscovery(reason=OUTSIDE, next_step="Give the marks of this recording.", dropped=dropped)
        for name in names
    }
    verdict: DiscoverVerdict = "named" if all(each.named for each in rows.values()) else "not-named"
    return Discovery(
        DiscoveryResult(
            verdict=verdict,
            sentence=sentence_of(rows),
            recording=described,
            marks=_marks_row(found, marks),
            bits_changing=found.tried.bits_changing,
            places_tried=len(found.tried.places),
            known_skipped=sum(1 for place in found.tried.places if scene.known(place) is not None),
            controls=rows,
        )
    )


def _control(scene: SearchScene, name: str, searched: Searched, dropped: Dropped) -> ControlDiscovery:
    """Return what was found of one control."""
    found, slots = scene.found, scene.found.slots
    shifted = searched.shifted or [None] * len(searched.groups)
    candidates = [
        candidate_row(scene, searched, group, shift_chance=chance)
        for group, chance in zip(searched.groups, shifted, strict=True)
    ]
    candidates = [each for each in candidates if each.known is None or is_lead(each, int(searched.exercises.sum()))]
    levels = [candidate_row(scene, searched, group, shift_chance=None) for group in searched.levels]
    rests = int((searched.compared & slots.is_rest).sum())
    others = int((searched.compared & ~slots.is_rest).sum())
    exercises = int(searched.exercises.sum())
    best = candidates[0] if candidates else None
    needed = None if searched.named else _needed(found, searched, best, exercises=exercises, alone=rests + others)
    row = ControlDiscovery(
        exercises=exercises,
        rests=rests,
        others=others,
        named=searched.named,
        strength="exact" if found.prompted else "weaker",
        more_exercises=needed,
        candidates=tuple(candidates),
        levels=tuple(levels),
        slots=slot_rows(found, searched, name),
        dropped=dropped,
        messages=message_rows(scene, searched),
    )
    return replace(
        row,
        reason=reason_of(
            row, bits=found.tried.bits_changing, shared_with=searched.shared_with, known=bool(scene.database.messages)
        ),
        next_step=step_of(row, shared_with=searched.shared_with),
    )


def _needed(found: Search, searched: Searched, best: FoundPlace | None, *, exercises: int, alone: int) -> int | None:
    """Return how many more exercises would settle it, or how many a new session takes where there is no lead."""
    places = int(np.ceil(max(found.tried.bits_changing, 1) * searched.tries * len(found.controls)))
    if best is None or not found.prompted or not is_lead(best, exercises):
        return more_exercises(places=places, exercises=0, rests=0, answered=0, stray=0, level=NAMED_AT)
    return more_exercises(
        places=places, exercises=exercises, rests=alone, answered=best.answered, stray=best.stray, level=NAMED_AT
    )


def _marks_row(found: Search, marks: Marks) -> MarksResult:
    """Return how the marks lie against the log."""
    follows = found.clock.scatter_s is not None
    estimated = found.shift.estimated or found.clock.lag_s != 0
    uncertainty = found.clock.uncertainty_s if follows else (found.shift.half_range_s if estimated else None)
    return MarksResult(
        file=marks.file,
        exercises=sum(1 for mark in marks if mark.label != REST),
        rests=sum(1 for mark in marks if mark.label == REST),
        outside=found.outside,
        offset_s=round(found.moved_s, 6),
        offset_uncertainty_s=uncertainty,
        offset_source="estimated" if estimated else "as-written",
        scatter_s=found.clock.scatter_s,
        counted_from="stamps" if found.offset_s else "first-frame",
    )


def _without_frames(trace: Trace, marks: Marks, database: Database) -> Discovery:
    """Return the answer for a recording without data frames."""
    why = "The recording holds no data frames."
    step = "Wake the bus, check the recorder's connection and bit rate, and record again."
    labels = [mark.label for mark in marks]
    rests = labels.count(REST)
    rows = {name: ControlDiscovery(reason=why, next_step=step) for name in dict.fromkeys(labels) if name != REST}
    lie = MarksResult(marks.file, len(marks) - rests, rests, len(marks), 0.0, None, "as-written", None)
    return Discovery(DiscoveryResult("not-named", why, recording(trace, database), lie, 0, 0, 0, rows))
