"""Results of a discovery: the classes whose fields are the keys of ``canlens/discover/1``.

As with the results of a check, a field added here is a key added there. ``*_s`` times count from the first frame;
bits are DBC bit numbers, 8 x byte + bit, bit 0 the least significant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from canlens.nouns.bus import RecordingResult
from canlens.results.form import Json, document

DISCOVER_SCHEMA = "canlens/discover/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

DiscoverVerdict = Literal["named", "not-named"]
"""``named``: every marked control was; ``not-named``: at least one was not."""
Strength = Literal["exact", "weaker"]
"""``exact``: the chance rests on slots drawn at random; ``weaker``: on a model, since no slot was left alone."""
SlotKind = Literal["exercise", "rest", "other"]
CandidateKind = Literal["bit", "field", "level"]
"""A single bit, a field that takes one value, or a number that moves beyond a threshold."""


@dataclass(frozen=True)
class Slot:
    """One slot as it was marked, in the log's seconds; ``other``: another control was operated in it."""

    kind: SlotKind
    label: str
    time_s: float
    until_s: float | None


@dataclass(frozen=True)
class FieldRow:
    """A field that does the bus's own work, with the message it stands in."""

    identifier: str
    is_extended: bool
    channel: str
    start_bit: int
    length: int


@dataclass(frozen=True)
class Place(FieldRow):
    """Some bits of one message. ``start_bit`` is always the lowest of the least significant byte.

    ``on`` is the raw value that means on; of a level null, with ``above`` or ``below`` as the raw threshold.
    ``message`` and ``known`` are the database's names for the message and for the signal (``MESSAGE.SIGNAL``) that
    already covers these bits; null where it has none.
    """

    byte_order: Literal["intel", "motorola"]
    on: int | None
    above: int | None
    below: int | None
    message: str | None
    known: str | None


@dataclass(frozen=True)
class FoundPlace(Place):
    """A place that may show a control, with what speaks for it.

    ``chance``: that any of all places tried would do as well if none had to do with the control; ``single_chance``:
    the same of this place alone. ``shift_chance``: share of the shifts of all marks against the recording that do
    as well; null where slots were left alone. ``ticks`` has one value for each slot: whether the place went on and
    off with it; null where the message was not there to tell. ``lines`` are those of the log in which it went on.
    ``mirrors`` are places that did the same in every slot. ``latency_s`` (median) and ``latency_max_s`` count from the
    mark; where the clocks' offset had to be estimated they count from the quickest answer, since the one cannot be told
    from the other.
    """

    kind: CandidateKind
    answered: int
    stray: int
    chance: float
    single_chance: float
    shift_chance: float | None
    latency_s: float | None
    latency_max_s: float | None
    mirrors: tuple[Place, ...]
    ticks: tuple[bool | None, ...]
    lines: tuple[int, ...]
    cycle_time_s: float | None
    payload_length: int
    is_fd: bool
    off: int | None
    latency_from: Literal["mark", "quickest"] = "mark"


@dataclass(frozen=True)
class Dropped:
    """Fields that change all the time by themselves and were left out of the search."""

    counters: tuple[FieldRow, ...] = ()
    checksums: tuple[FieldRow, ...] = ()
    clocks: tuple[FieldRow, ...] = ()
    toggles: tuple[FieldRow, ...] = ()


@dataclass(frozen=True)
class MessageRow:
    """A message that came while a control was operated and stayed away else; ``chance`` as of a candidate."""

    identifier: str
    is_extended: bool
    channel: str
    message: str | None
    answered: int
    stray: int
    chance: float


@dataclass(frozen=True)
class ControlDiscovery:
    """What was found of one control.

    ``others`` are slots in which another control was operated and not this one; a place that follows this control
    stays still in them too. ``stray`` of a candidate counts both. ``more_exercises`` says how many more would settle
    it, rest slots in the same proportion; null where it is named. ``levels`` are numbers that move with the
    control, ``messages`` those that came only with it.
    """

    exercises: int = 0
    rests: int = 0
    others: int = 0
    named: bool = False
    strength: Strength = "exact"
    reason: str = ""
    next_step: str = ""
    more_exercises: int | None = None
    candidates: tuple[FoundPlace, ...] = ()
    levels: tuple[FoundPlace, ...] = ()
    slots: tuple[Slot, ...] = ()
    dropped: Dropped = Dropped()
    messages: tuple[MessageRow, ...] = ()


@dataclass(frozen=True)
class MarksResult:
    """How the marks lie against the log: add ``offset_s`` to a written time to reach the log's own clock.

    ``counted_from`` says how times were read: as the log's own stamps, or as seconds from its first frame.
    ``offset_uncertainty_s`` is half the range of offsets that fit as well; ``scatter_s`` how far single marks lie
    off (null where nothing follows them); ``offset_source`` says whether times were taken as written.
    """

    file: str
    exercises: int
    rests: int
    outside: int
    offset_s: float
    offset_uncertainty_s: float | None
    offset_source: Literal["as-written", "estimated"]
    scatter_s: float | None
    counted_from: Literal["stamps", "first-frame"] = "stamps"


@dataclass(frozen=True)
class DiscoveryResult:
    """All of ``canlens discover``: the answer first, then what it rests on.

    ``bits_changing`` are the bits that ever change, which the chances are corrected for; ``places_tried`` counts
    fields and values as well.
    """

    verdict: DiscoverVerdict
    sentence: str
    recording: RecordingResult
    marks: MarksResult
    bits_changing: int
    places_tried: int
    known_skipped: int
    controls: dict[str, ControlDiscovery]


def discovery_form(result: DiscoveryResult) -> dict[str, Json]:
    """Return the written form of a discovery: what ``canlens discover --json`` writes."""
    return document(DISCOVER_SCHEMA, result)
