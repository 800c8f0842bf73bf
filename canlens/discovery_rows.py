"""Discovery rows: what a search found, as the rows of its result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.discovery_results import Candidate, Dropped, FieldRow, MessageRow, Slot
from canlens.discovery_results import Place as PlaceRow
from canlens.measures.discovering.places import BIT, LEVEL, bits_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.database import Database, Message
    from canlens.discovery_results import CandidateKind, SlotKind
    from canlens.measures.discovering.dropping import Span
    from canlens.measures.discovering.places import Place
    from canlens.measures.discovering.ranking import Group
    from canlens.measures.discovering.searching import Search, Searched
    from canlens.measures.intervals import Intervals
    from canlens.trace import Rows, Trace

KINDS: tuple[CandidateKind, ...] = ("bit", "field", "level")
LINES_SHOWN = 12


@dataclass(frozen=True, eq=False)
class Scene:
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

    def message_of(self, stream: int) -> Message | None:
        """Return what the database knows of a stream's identifier."""
        together = self.found.streams
        return self.database.with_identifier(
            int(together.identifier[stream]),
            is_extended=bool(together.is_extended[stream]),
            channel=self.channel_of(stream) or None,
        )

    def known(self, place: Place) -> str | None:
        """Return the path of the database's signal that covers a place; None where there is none."""
        message = self.message_of(place.stream)
        if message is None:
            return None
        mask = bits_of(place)
        covering = [each for each in message.signals if each.bits & mask]
        return f"{message.name}.{covering[0].name}" if covering else None


def place_row(scene: Scene, place: Place) -> PlaceRow:
    """Return a place with the names that the database has for it."""
    together, message = scene.found.streams, scene.message_of(place.stream)
    order: Literal["intel", "motorola"] = "motorola" if place.is_motorola else "intel"
    is_level = place.kind == LEVEL
    return PlaceRow(
        identifier=f"0x{int(together.identifier[place.stream]):x}",
        is_extended=bool(together.is_extended[place.stream]),
        channel=scene.channel_of(place.stream),
        start_bit=place.start_bit,
        length=place.length,
        byte_order=order,
        on=None if is_level else place.on,
        above=place.limit if is_level and place.on else None,
        below=place.limit + 1 if is_level and not place.on else None,
        message=message.name if message else None,
        known=scene.known(place),
    )


def candidate_row(scene: Scene, searched: Searched, group: Group, *, shift_chance: float | None) -> Candidate:
    """Return a group of places that may show a control, with what speaks for it."""
    found = scene.found
    place = found.tried.places[group.lead]
    rows = scene.rows_of(place.stream)
    cycle_s = float(scene.intervals.cycle_s[place.stream])
    latency_s = np.maximum(group.lag_s + found.shift.shift_s - found.moved_s, 0.0)
    used = searched.exercises | searched.compared
    return Candidate(
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


def _off_value(scene: Scene, place: Place) -> int | None:
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


def message_rows(scene: Scene, searched: Searched) -> tuple[MessageRow, ...]:
    """Return the messages that came only with a control."""
    together = scene.found.streams
    rows = []
    for each in searched.came:
        message = scene.message_of(each.stream)
        rows.append(
            MessageRow(
                identifier=f"0x{int(together.identifier[each.stream]):x}",
                is_extended=bool(together.is_extended[each.stream]),
                channel=scene.channel_of(each.stream),
                message=message.name if message else None,
                answered=each.answered,
                stray=each.stray,
                chance=each.chance,
            )
        )
    return tuple(rows)


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


def dropped_rows(scene: Scene) -> Dropped:
    """Return the fields that do the bus's own work and are not in the database."""
    found = scene.found.found
    return Dropped(
        counters=tuple(_field_rows(scene, found.counters)),
        checksums=tuple(_field_rows(scene, found.checksums)),
        clocks=tuple(_field_rows(scene, found.clocks)),
        toggles=tuple(_field_rows(scene, found.toggles)),
    )


def _field_rows(scene: Scene, spans: Iterable[Span]) -> Iterable[FieldRow]:
    together = scene.found.streams
    for span in spans:
        yield FieldRow(
            identifier=f"0x{int(together.identifier[span.stream]):x}",
            is_extended=bool(together.is_extended[span.stream]),
            channel=scene.channel_of(span.stream),
            start_bit=span.start_bit,
            length=span.length,
        )
