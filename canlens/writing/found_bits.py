"""Found bits: the places that a discovery named → messages with signals, and controls that rest on them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canlens.database import Database, Message, SignalDefinition
from canlens.database.dbc.names import legal_name
from canlens.discovery import place_words
from canlens.wording import chance_words, short_time, some

if TYPE_CHECKING:
    from collections.abc import Collection

    from canlens.results.discover import ControlDiscovery, DiscoveryResult, FoundPlace


# Found bits: the places that a discovery named → messages with signals, and controls that rest on them.


SURE = 0.01
"""A number that moves with a control is written down if chance does as well less often than this."""
MIRRORS_TOLD = 4
MOST_BITS = 2
"""A known signal of so few bits is a switch, whose other bits are 0 where nothing else is said."""


@dataclass(frozen=True)
class FoundControl:
    """A control of which the bits are known: path of its signal, and when it counts as on (scaled values)."""

    name: str
    path: str
    on: tuple[float, ...] = ()
    above: float | None = None
    below: float | None = None
    is_known: bool = False


@dataclass(frozen=True)
class FoundBits:
    """What a discovery is good for.

    Attributes
    ----------
    messages
        With the signals that were found, and those that the known database has beside them.
    comments
        Path of a signal -> what speaks for it.
    controls
        Those that were named, in the order of the discovery.
    left_out
        Why the others are not there, in sentences.
    """

    messages: tuple[Message, ...] = ()
    comments: dict[str, str] = field(default_factory=dict)
    controls: tuple[FoundControl, ...] = ()
    left_out: tuple[str, ...] = ()


def found_bits(result: DiscoveryResult, known: Database | None = None) -> FoundBits:
    """Turn the places that were named into messages and signals.

    Parameters
    ----------
    result
        Of the discovery.
    known
        The database that it was given; what it covers exactly is not written again.

    Returns
    -------
    FoundBits
        Names are legal and unique, no two signals overlap; only what was named is there.
    """
    return _Finding(result, known or Database()).find()


@dataclass
class _Draft:
    """A message while signals are added to it."""

    name: str
    identifier: int
    is_extended: bool
    length: int = 0
    cycle_time_s: float | None = None
    is_fd: bool = False
    senders: tuple[str, ...] = ()
    signals: list[SignalDefinition] = field(default_factory=list)

    def overlaps(self, signal: SignalDefinition) -> str | None:
        """Return the name of a signal that takes one of the same bits."""
        return next((each.name for each in self.signals if each.bits & signal.bits), None)

    def finished(self) -> Message:
        """Return the message."""
        return Message(
            self.name,
            self.identifier,
            is_extended=self.is_extended,
            length=self.length,
            senders=self.senders,
            cycle_time_s=self.cycle_time_s,
            signals=tuple(self.signals),
            is_fd=self.is_fd,
        )


class _Finding:
    """Messages and controls as they grow."""

    def __init__(self, result: DiscoveryResult, known: Database) -> None:
        self.result = result
        self.known = known
        self.drafts: dict[tuple[int, bool], _Draft] = {}
        self.comments: dict[str, str] = {}
        self.controls: list[FoundControl] = []
        self.left_out: list[str] = []

    def find(self) -> FoundBits:
        """Add control after control, then the numbers that move with them."""
        for name, row in self.result.controls.items():
            if row.named and row.candidates:
                self.add_control(name, row, row.candidates[0])
            else:
                self.left_out.append(f"{name}: not named, so it is left out.")
        for name, row in self.result.controls.items():
            for level in row.levels[:1]:
                if level.chance <= SURE and level.known is None:
                    self.add_level(name, level)
        return FoundBits(
            tuple(draft.finished() for draft in self.drafts.values() if draft.signals),
            self.comments,
            tuple(self.controls),
            tuple(self.left_out),
        )

    def add_control(self, name: str, row: ControlDiscovery, best: FoundPlace) -> None:
        """Add the best place of a named control."""
        if best.known is not None and (control := self.covered(name, best)) is not None:
            self.controls.append(control)
            return
        signal = self.add_signal(name, best, table=_table(best))
        if signal is None:
            return
        path = f"{self.drafts[_key(best)].name}.{signal.name}"
        self.comments[path] = _comment(row, best)
        on = () if best.on is None else (float(best.on),)
        self.controls.append(FoundControl(name, path, on, _floated(best.above), _floated(best.below)))

    def add_level(self, name: str, level: FoundPlace) -> None:
        """Add a number that moves with a control, if its bits are free."""
        draft = self.drafts.get(_key(level))
        if draft is not None and draft.overlaps(_signal("level", level, {})) is not None:
            return
        signal = self.add_signal(f"{name}_level", level, table={})
        if signal is not None:
            path = f"{self.drafts[_key(level)].name}.{signal.name}"
            self.comments[path] = f"A number that moves with {name}: {chance_words(level.chance)} by chance."

    def covered(self, name: str, best: FoundPlace) -> FoundControl | None:
        """Return the control as the known database has it; None where its signal cannot say what was found."""
        found = self.known.find(best.known or "")
        bits = _signal("it", best, {}).bits
        if found is None or found[1].is_float or found[1].bits & bits != bits:
            return None
        definition = found[1]
        if best.on is not None:
            values = _values(definition, best)
            on = tuple(float(raw * definition.scale + definition.offset) for raw in values)
            return FoundControl(name, str(best.known), on, is_known=True) if on else None
        if definition.is_signed or definition.scale <= 0 or definition.bits != bits:
            return None
        above, below = (
            None if limit is None else limit * definition.scale + definition.offset
            for limit in (best.above, best.below)
        )
        return FoundControl(name, str(best.known), (), above, below, is_known=True)

    def add_signal(self, wanted: str, place: FoundPlace, *, table: dict[int, str]) -> SignalDefinition | None:
        """Add a signal to its message, which is made if it is not there; None where its bits are taken."""
        draft = self.drafts.setdefault(_key(place), self.draft_of(place))
        name = unique(legal_name(wanted) or "signal", [each.name for each in draft.signals])
        signal = _signal(name, place, table)
        taken = draft.overlaps(signal)
        if taken is not None:
            self.left_out.append(f"{wanted}: {place_words(place)} overlaps {draft.name}.{taken}, so it is left out.")
            return None
        draft.signals.append(signal)
        draft.length = max(draft.length, place.payload_length, signal.needed_length)
        draft.is_fd = draft.is_fd or place.is_fd
        draft.cycle_time_s = draft.cycle_time_s or place.cycle_time_s
        return signal

    def draft_of(self, place: FoundPlace) -> _Draft:
        """Return the message of a place: with the signals of the known one, where they can stand beside it."""
        identifier, is_extended = _key(place)
        known = self.known.with_identifier(identifier, is_extended=is_extended, channel=place.channel or None)
        draft = _Draft("", identifier, is_extended, place.payload_length, place.cycle_time_s, place.is_fd)
        bits = _signal("it", place, {}).bits
        if known is not None and all(
            not (each.is_float or each.multiplexer or each.is_multiplexer or each.bits & bits)
            and each.needed_length <= place.payload_length
            for each in known.signals
        ):
            draft.name, draft.signals = known.name, list(known.signals)
            draft.cycle_time_s = known.cycle_time_s or place.cycle_time_s
            return draft
        digits = f"{identifier:08X}" if is_extended else f"{identifier:03X}"
        names = [message.name for message in self.known.messages] + [each.name for each in self.drafts.values()]
        draft.name = unique(f"Found_{digits}", names)
        return draft


def unique(wanted: str, taken: Collection[str]) -> str:
    """Return a name that is not taken: the one wanted, or with a number behind it.

    Examples
    --------
    >>> unique("horn", ["horn", "horn_2"])
    'horn_3'
    """
    name, number = wanted, 1
    while name in taken:
        number += 1
        name = f"{wanted}_{number}"
    return name


def _key(place: FoundPlace) -> tuple[int, bool]:
    """Return identifier and kind of the message that a place stands in."""
    return int(place.identifier, 16), place.is_extended


def _signal(name: str, place: FoundPlace, table: dict[int, str]) -> SignalDefinition:
    """Return the signal of a place; a DBC names the most significant bit of a Motorola one."""
    start = place.start_bit
    if place.byte_order == "motorola":
        byte, bit = divmod(start % 8 + place.length - 1, 8)
        start = 8 * (start // 8 - byte) + bit
    return SignalDefinition(name, start, place.length, place.byte_order, table=table)


def _values(definition: SignalDefinition, place: FoundPlace) -> list[int]:
    """Return the raw values of a known signal for which a place in it is on; empty where they cannot be told.

    A place of all its bits has one; of fewer bits those that its table names, or that leave its other bits 0.
    """
    if definition.length == place.length:
        raw = int(place.on or 0)
        return [raw - (1 << definition.length) if definition.is_signed and raw >> (definition.length - 1) else raw]
    if definition.is_signed or (definition.length > MOST_BITS and not definition.table):
        return []
    lowest = _lowest_bits(definition).index(place.start_bit)
    mask, wanted = ((1 << place.length) - 1) << lowest, int(place.on or 0) << lowest
    told = [raw for raw in definition.table if raw not in definition.named_invalid]
    return [raw for raw in told or [wanted] if raw & mask == wanted and raw >= 0]


def _lowest_bits(definition: SignalDefinition) -> list[int]:
    """Return the DBC bit numbers of a signal, the least significant first."""
    bit, numbers = definition.start_bit, []
    for _ in range(definition.length):
        numbers.append(bit)
        if definition.byte_order == "intel":
            bit += 1
        else:
            bit += 15 if not bit % 8 else -1
    return numbers if definition.byte_order == "intel" else numbers[::-1]


def _table(place: FoundPlace) -> dict[int, str]:
    """Return what the values of a place mean, as far as the recording tells."""
    if place.on is None:
        return {}
    off = {} if place.off is None or place.off == place.on else {place.off: "Off"}
    return dict(sorted({**off, place.on: "On"}.items()))


def _comment(row: ControlDiscovery, best: FoundPlace) -> str:
    """Say what speaks for a place."""
    told = [row.reason]
    if row.strength == "weaker":
        told.append("Weaker: no slot was left alone, so the chance is that of a model.")
    if best.latency_s is not None:
        since = "the mark" if best.latency_from == "mark" else "the quickest answer"
        told.append(f"It came {short_time(best.latency_s)} after {since}.")
    if best.mirrors:
        mirrors = some(map(place_words, best.mirrors), most=MIRRORS_TOLD, joint="; ")
        told.append(f"The same in every slot: {mirrors}.")
    return " ".join(told)


def _floated(limit: int | None) -> float | None:
    return None if limit is None else float(limit)
