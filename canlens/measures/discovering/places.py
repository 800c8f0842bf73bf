"""Places: bits, fields and numbers beyond a threshold that may show a control, and the pulses in which each was on."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from canlens.signals import Floats
    from canlens.trace import Bools, Bytes, Ints, Rows, Streams, Trace


FIRST8 = 8
"""Payload bytes that every frame has room for; longer payloads are kept apart."""


@dataclass(frozen=True, eq=False)
class Changes:
    """The frames of one stream in which its payload changed, the first frame included.

    Attributes
    ----------
    interval_s
        Median time between its frames [s]; 0 with fewer than two.
    payload
        uint8 (k, w): payload from each of these frames on. A byte that a shorter frame lacks keeps its value.
    time_s
        float64 (k,): when [s from the first frame of the recording].
    row
        intp (k,): rows of the trace.
    """

    stream: int
    frames: int
    interval_s: float
    payload: Bytes
    time_s: Floats
    row: Rows

    @cached_property
    def flips(self) -> Ints:
        """int64 (8 w,): how often each bit changed; bit n is the DBC bit number n."""
        flipped = self.payload[1:] ^ self.payload[:-1]
        return np.asarray(np.unpackbits(flipped, axis=1, bitorder="little").sum(axis=0, dtype=np.int64))


def changes_of(trace: Trace, streams: Streams, *, segment: int) -> Iterator[Changes]:
    """Yield the changes of every stream of data frames.

    Parameters
    ----------
    segment
        Where the clock restarts: the part of the recording that is looked at.
    """
    time_s = trace.time_s
    several = bool(len(trace)) and trace.segment[0] != trace.segment[-1]
    for stream in np.flatnonzero(~streams.is_remote).tolist():
        rows = streams.rows[streams.start[stream] : streams.start[stream + 1]]
        if several:
            rows = rows[trace.segment[rows] == segment]
        if len(rows):
            yield _changes(trace, stream, rows, time_s[rows])


def _changes(trace: Trace, stream: int, rows: Rows, time_s: Floats) -> Changes:
    payload = _payload(trace, rows)
    changed = np.append(True, (payload[1:] != payload[:-1]).any(axis=1))
    interval_s = float(np.median(np.diff(time_s))) if len(rows) > 1 else 0.0
    return Changes(stream, len(rows), max(interval_s, 0.0), payload[changed], time_s[changed], rows[changed])


def _payload(trace: Trace, rows: Rows) -> Bytes:
    """Return the payload bytes of some frames, uint8 (n, w), the gaps of shorter frames filled."""
    length = trace.payload.length[rows]
    width, least = int(length.max()), int(length.min())
    part = trace.payload.first8[rows][:, :width] if width <= FIRST8 else trace.payload[rows].matrix(width)
    if width == least:
        return part
    part = part.copy()
    number = np.arange(len(rows))
    for byte in range(least, width):
        last = np.maximum.accumulate(np.where(length > byte, number, -1))
        part[:, byte] = np.where(last >= 0, part[np.maximum(last, 0), byte], part[np.argmax(length > byte), byte])
    return part


BIT, FIELD, LEVEL = range(3)
WIDTHS = (2, 3, 4, 8)
"""Bits of the fields that are tried inside a byte, at every place."""
FEWEST_VALUES, MOST_VALUES = 3, 24
"""A field of two values is shown by one bit; of a number that takes more, single values mean nothing (our choice)."""
LATE_START_S = 1.0
"""A message that first comes so much later than the recording begins [s] was sent for a reason: its first frame counts
as a change (our choice: messages on a beat of a bus that is awake come at least once a second)."""


class TriedPlace(NamedTuple):
    """Some bits of a stream and the raw value that means on.

    ``start_bit`` is the DBC bit number of the lowest bit, ``limit`` the raw threshold of a level: on above it where
    ``on`` is 1, at or below it where ``on`` is 0.
    """

    stream: int
    start_bit: int
    length: int
    on: int
    kind: int = BIT
    is_motorola: bool = False
    limit: int = 0


def bits_of(place: TriedPlace) -> int:
    """Return the bits of a place as a mask; bit n is the DBC bit number n."""
    mask = 0
    for number in range(place.length):
        byte, bit = divmod(place.start_bit % 8 + number, 8)
        step = -byte if place.is_motorola else byte
        mask |= 1 << (8 * (place.start_bit // 8 + step) + bit)
    return mask


@dataclass(frozen=True, eq=False)
class Pulses:
    """The times for which places were on.

    Attributes
    ----------
    place
        int64 (p,): index of the place.
    rise_s, fall_s
        float64 (p,): when it went on and off [s]; ``inf`` where it was still on at the end.
    row
        intp (p,): row of the trace in which it went on.
    """

    place: Ints
    rise_s: Floats
    fall_s: Floats
    row: Rows

    def __len__(self) -> int:
        return len(self.place)

    def where(self, chosen: npt.NDArray[np.bool_] | Rows) -> Pulses:
        """Return some of them."""
        return Pulses(*(getattr(self, each.name)[chosen] for each in fields(self)))

    @classmethod
    def joined(cls, parts: Sequence[Pulses]) -> Pulses:
        """Return several as one, by the time they went on."""
        if not parts:
            return cls(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros(0, np.intp))
        whole = cls(*(np.concatenate([getattr(part, each.name) for part in parts]) for each in fields(cls)))
        return whole.where(np.argsort(whole.rise_s, kind="stable"))


@dataclass(frozen=True, eq=False)
class TriedPlaces:
    """All places that are tried, their pulses, and what each was taken from.

    Attributes
    ----------
    slack_s
        float64 (F,): a change on the bus is seen up to so much later [s].
    bits_changing
        Bits that ever change.
    """

    places: tuple[TriedPlace, ...]
    pulses: Pulses
    slack_s: Floats
    bits_changing: int

    @cached_property
    def _by_place(self) -> tuple[Rows, Ints]:
        """Order of the pulses by place, and where each place begins in it, F + 1."""
        order = np.argsort(self.pulses.place, kind="stable")
        counts = np.bincount(self.pulses.place, minlength=len(self.places))
        return order, np.append(0, np.cumsum(counts))

    def one(self, place: int) -> TriedPlaces:
        """Return one place with its pulses."""
        order, start = self._by_place
        own = self.pulses.where(order[start[place] : start[place + 1]])
        pulses = replace(own, place=np.zeros(len(own), np.int64))
        return TriedPlaces((self.places[place],), pulses, self.slack_s[place : place + 1], self.bits_changing)

    def only(self, chosen: Ints) -> TriedPlaces:
        """Return some of the places with their pulses."""
        number = np.full(len(self.places), -1, np.int64)
        number[chosen] = np.arange(len(chosen))
        kept = self.pulses.where(number[self.pulses.place] >= 0)
        return TriedPlaces(
            tuple(self.places[index] for index in chosen.tolist()),
            Pulses(number[kept.place], kept.rise_s, kept.fall_s, kept.row),
            self.slack_s[chosen],
            self.bits_changing,
        )


class Limits(NamedTuple):
    """Which pulses are worth keeping.

    ``least_s`` and ``most_s`` bound the time for which a control was held [s]; a bit that changes more than
    ``busiest`` times, or a place that is on and off again more than ``most_pulses`` times, shows no control; the
    recording begins at ``start_s`` [s].
    """

    least_s: float
    most_s: float
    busiest: int
    most_pulses: int
    start_s: float

    def keeps(self, pulses: Pulses) -> Pulses:
        """Return the pulses that last about as long as a control was held."""
        length_s = pulses.fall_s - pulses.rise_s
        return pulses.where((length_s >= self.least_s) & (length_s <= self.most_s))


Found = tuple[list[TriedPlace], Pulses]
"""Places, and pulses that bear their indices among these."""


def bit_pulses(changes: Changes, limits: Limits) -> Found:
    """Return each bit of a stream that changes, in both polarities, with its pulses."""
    flips = changes.flips
    kept = np.flatnonzero((flips > 0) & (flips <= limits.busiest))
    bits: Bytes = (changes.payload[:, kept // 8] >> (kept % 8).astype(np.uint8)) & np.uint8(1)
    return pulses_of(changes, bits, [TriedPlace(changes.stream, bit, 1, 1) for bit in kept.tolist()], limits)


def field_pulses(changes: Changes, limits: Limits) -> Iterator[Found]:
    """Yield, byte by byte, each value of each field that tells more than its single bits, with its pulses."""
    flips = changes.flips.reshape(-1, 8)
    for byte in np.flatnonzero((flips > 0).sum(axis=1) > 1).tolist():
        places: list[TriedPlace] = []
        columns: list[Bytes] = []
        for width in WIDTHS:
            for shift in range(9 - width):
                own = flips[byte, shift : shift + width]
                if own[0] == 0 or own[-1] == 0 or own.max() > limits.busiest:
                    continue
                values: Bytes = (changes.payload[:, byte] >> np.uint8(shift)) & np.uint8((1 << width) - 1)
                if FEWEST_VALUES <= np.count_nonzero(np.bincount(values)) <= MOST_VALUES:
                    places.append(TriedPlace(changes.stream, 8 * byte + shift, width, 1, FIELD))
                    columns.append(values)
        if places:
            yield pulses_of(changes, np.stack(columns, axis=1), places, limits)


def pulses_of(changes: Changes, columns: Bytes, places: Sequence[TriedPlace], limits: Limits) -> Found:
    """Return each value that each column takes, with the times from its coming to its going.

    Parameters
    ----------
    columns
        uint8 (k, m): values of m fields; of a level whether it is beyond its threshold.
    places
        What each column shows; the value is put in. Of a level only the times beyond its threshold count.
    """
    begins = np.empty(columns.shape, bool)
    begins[0] = changes.time_s[0] - limits.start_s > LATE_START_S
    np.not_equal(columns[1:], columns[:-1], out=begins[1:])
    column, row = np.nonzero(begins.T)
    rise_s = changes.time_s[row]
    fall_s = np.append(rise_s[1:], np.inf)
    fall_s[np.flatnonzero(np.diff(column))] = np.inf
    length_s = fall_s - rise_s
    wanted = (length_s >= limits.least_s) & (length_s <= limits.most_s)
    is_level = np.array([place.kind == LEVEL for place in places], bool)
    kept = np.flatnonzero(wanted & ~(is_level[column] & (columns[row, column] == 0)))
    column, row = column[kept], row[kept]
    key, number, count = np.unique(column * 256 + columns[row, column], return_inverse=True, return_counts=True)
    found = [_with_value(places[each // 256], each % 256) for each in key.tolist()]
    calm = count[number] <= limits.most_pulses
    return found, Pulses(number, rise_s[kept], fall_s[kept], changes.row[row]).where(calm)


def _with_value(place: TriedPlace, value: int) -> TriedPlace:
    return place if place.kind == LEVEL else place._replace(on=value)


def tried(found: Sequence[Found], slack_s: Floats, bits_changing: int) -> TriedPlaces:
    """Gather places and pulses; ``slack_s`` has one value for each stream [s]. Places without pulses are left out."""
    places = [place for own, _ in found for place in own]
    first = np.cumsum([0, *(len(own) for own, _ in found)])
    parts = [replace(pulses, place=pulses.place + begin) for begin, (_, pulses) in zip(first, found, strict=False)]
    own_s = slack_s[[place.stream for place in places]] if places else np.zeros(0)
    whole = TriedPlaces(tuple(places), Pulses.joined(parts), own_s, bits_changing)
    return whole.only(np.unique(whole.pulses.place))


# Levels: numbers that move beyond a threshold, such as a throttle, or the pressure behind a brake switch.


FEWEST_LEVELS = 6
"""A field of fewer values is no number (our choice)."""
NOISE = 4.0
"""A number moves where it leaves its usual value by more than so many times its usual spread, halfway (our choice)."""
LEAST_STEP = 4
"""... and by more than so many raw steps."""
HALF = 0.5


def level_pulses(changes: Changes, limits: Limits) -> Found:
    """Return the bytes and pairs of bytes of a stream that leave their usual value, with the times they were away.

    The threshold lies halfway between the usual value and the farthest; it is set without a look at the marks.
    """
    lasting_s = np.append(np.diff(changes.time_s), 0.0)
    places: list[TriedPlace] = []
    columns: list[Bools] = []
    for place, values in _numbers(changes):
        usual = _middle(values, lasting_s)
        spread = _middle(np.abs(values - usual), lasting_s) * 1.4826
        for on, farthest in ((1, float(values.max())), (0, float(values.min()))):
            away = abs(farthest - usual) * HALF
            if away <= max(NOISE * spread, LEAST_STEP):
                continue
            limit = int(np.floor(usual + away)) if on else int(np.ceil(usual - away))
            beyond = values > limit if on else values <= limit
            if np.count_nonzero(beyond[1:] != beyond[:-1]) <= limits.busiest:
                places.append(place._replace(on=on, limit=limit))
                columns.append(beyond)
    if not columns:
        return pulses_of(changes, np.zeros((len(changes.row), 0), np.uint8), [], limits)
    table = np.stack(columns, axis=1).astype(np.uint8)
    return pulses_of(changes, table, places, limits)


def _middle(values: Ints, lasting_s: Floats) -> int:
    """Return the value, 0 or more, that is not passed for half of the time."""
    passed_s = np.cumsum(np.bincount(values, lasting_s))
    return int(np.searchsorted(passed_s, passed_s[-1] / 2))


def _numbers(changes: Changes) -> Iterator[tuple[TriedPlace, Ints]]:
    """Yield the bytes, and the pairs of bytes in either order, whose values may be numbers."""
    payload = changes.payload
    count = [np.count_nonzero(np.bincount(payload[:, byte])) for byte in range(payload.shape[1])]
    for byte, own in enumerate(count):
        if own >= FEWEST_LEVELS:
            yield TriedPlace(changes.stream, 8 * byte, 8, 1, LEVEL), payload[:, byte].astype(np.int64)
    for byte in range(len(count) - 1):
        for lower, upper in ((byte, byte + 1), (byte + 1, byte)):
            if count[lower] < FEWEST_LEVELS or count[upper] < 2:  # noqa: PLR2004 – a byte that never changes
                continue
            value = payload[:, lower].astype(np.int64) + 256 * payload[:, upper].astype(np.int64)
            yield TriedPlace(changes.stream, 8 * lower, 16, 1, LEVEL, is_motorola=lower > upper), value
