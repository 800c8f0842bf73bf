"""Definitions: the databases held against a whole recording, each identifier's frames looked at once."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.traffic.identifiers import near, near_misses, with_same_length
from canlens.measures.traffic.values import MOST_PLACES, odd_values, places_of, swapped_bytes
from canlens.nouns.definitions import (
    DefinitionEvidence,
    OddValue,
    OtherLength,
    StillSignal,
    SwappedBytes,
    UncoveredBits,
    UnlistedIdentifier,
    UnseenMessage,
)
from canlens.signals import decode, find_rows

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from canlens.database import Database, Message
    from canlens.plan import Condition, Plan
    from canlens.signals import Signal
    from canlens.signals.lookup import Key
    from canlens.signals.payloads import Words
    from canlens.trace import Payload, Rows, Trace


SHORT = 8
"""Bytes that the short part of a payload holds."""


def moved_bits(payload: Payload, words: Words, rows: Rows) -> int:
    """Return the bits that were 0 in one frame and 1 in another, as a mask; bit n is the DBC bit number n.

    Parameters
    ----------
    words
        uint64 (n,): the first eight bytes of the frames, byte 0 the least significant.
    rows
        intp (n,): rows of the frames, all of one length.
    """
    if not len(rows):
        return 0
    mask = int(np.bitwise_or.reduce(words) ^ np.bitwise_and.reduce(words))
    if int(payload.length[rows[0]]) > SHORT:
        long = payload.long[np.searchsorted(payload.long_rows, rows)].view("<u8")
        moved = np.bitwise_or.reduce(long, axis=0) ^ np.bitwise_and.reduce(long, axis=0)
        mask = sum(int(word) << 64 * place for place, word in enumerate(moved))
    return mask


def first_move(payload: Payload, words: Words, rows: Rows, bits: int) -> int:
    """Return the row in which one of some bits first differs from the first frame; -1 if none ever does.

    ``words`` and ``rows`` are as for :func:`moved_bits`; the frames hold all of the bits.
    """
    found: list[int] = []
    for place in range(0, bits.bit_length(), 64):
        part = np.uint64(bits >> place & 0xFFFF_FFFF_FFFF_FFFF)
        if not part:
            continue
        if place:
            own = payload.long[np.searchsorted(payload.long_rows, rows), place // 8 : place // 8 + 8]
            column = np.ascontiguousarray(own).view("<u8")[:, 0] & part
        else:
            column = words & part
        moved = np.flatnonzero(column != column[0])
        found += moved[:1].tolist()
    return int(rows[min(found)]) if found else -1


LEAST_FRAMES = 20
"""Frames of a message from which a bit that never moved says something (our choice)."""


def definition_evidence(
    trace: Trace,
    database: Database,
    *,
    planned: frozenset[str] | None = None,
    accepted: Mapping[str, Sequence[int]] | None = None,
    by_group: Mapping[str, tuple[int, ...]] | None = None,
) -> DefinitionEvidence:
    """Hold the databases against a recording, channel by channel where a database holds on one channel only.

    Parameters
    ----------
    database
        Its messages; see :func:`canlens.measures.traffic.identifiers.matched_by_group` for J1939.
    planned
        Names of the messages that a plan uses; None where there is no plan.
    accepted
        Path -> raw values that the plan knows to say nothing.
    """
    found = _Found(dict(accepted or {}))
    if not any(message.channel for message in database.messages):
        found.compare_all(trace, database)
    else:
        named = dict.fromkeys([*trace.channels, *(each.channel for each in database.messages if each.channel)])
        for name in named:
            found.compare_all(trace.on_channel(name), database.on_channel(name))
    return DefinitionEvidence(
        messages=len(database.messages) if found.has_frames else 0,
        planned=planned,
        unlisted=tuple(found.unlisted),
        unseen=tuple(found.unseen),
        lengths=tuple(found.lengths),
        still=tuple(found.still),
        uncovered=tuple(found.uncovered),
        odd_values=tuple(found.odd_values),
        swapped=tuple(found.swapped),
        by_group=dict(by_group or {}),
    )


def definition_side(plan: Plan, trace: Trace, by_group: Mapping[str, tuple[int, ...]]) -> DefinitionEvidence:
    """Hold the databases of a plan against a recording; a plan without controls and outputs asks of the bus alone."""
    conditions = list(_conditions(plan))
    paths = [each.reference for each in conditions]
    paths += [
        each for output in plan.outputs.values() for each in (output.level, output.current, output.voltage) if each
    ]
    paths += [plan.controller.supply] if plan.controller.supply else []
    return definition_evidence(
        trace,
        plan.database,
        planned=frozenset(each.message.name for each in paths) if plan.controls or plan.outputs else None,
        accepted={each.reference.path: each.unknown for each in conditions if each.unknown},
        by_group=by_group,
    )


def _conditions(plan: Plan) -> Iterator[Condition]:
    """List the conditions of a plan."""
    for control in plan.controls.values():
        yield control.condition
        if control.noticed:
            yield control.noticed
    yield from (output.command for output in plan.outputs.values() if output.command)


def _one_sided(
    trace: Trace, database: Database, rows: Mapping[Key, Rows]
) -> tuple[tuple[UnlistedIdentifier, ...], tuple[UnseenMessage, ...]]:
    """Find identifiers that stand on one side only, with their near misses on the other."""
    named = {(message.identifier, message.is_extended): message for message in reversed(database.messages)}
    unlisted = {key: _usual_length(trace, own) for key, own in rows.items() if key not in named}
    unseen = {key: message for key, message in sorted(named.items()) if key not in rows}
    lengths = {key: message.length for key, message in unseen.items()}
    to_named = with_same_length(near_misses(unlisted, lengths), unlisted, lengths)
    to_recorded = with_same_length(near_misses(unseen, unlisted), lengths, unlisted)
    return (
        tuple(
            UnlistedIdentifier(
                *key,
                len(rows[key]),
                places_of(trace, rows[key][:MOST_PLACES]),
                near(to_named[key][0], to_named[key][1], name=named[to_named[key][1]].name)
                if key in to_named
                else None,
            )
            for key in unlisted
        ),
        tuple(
            UnseenMessage(
                message.name,
                *key,
                near(*to_recorded[key], frames=len(rows[to_recorded[key][1]])) if key in to_recorded else None,
            )
            for key, message in unseen.items()
        ),
    )


def _usual_length(trace: Trace, rows: Rows) -> int:
    return int(np.bincount(trace.payload.length[rows]).argmax())


@dataclass
class _Found:
    """What was found so far, message by message."""

    accepted: dict[str, Sequence[int]]
    has_frames: bool = False
    unlisted: list[UnlistedIdentifier] = field(default_factory=list)
    unseen: list[UnseenMessage] = field(default_factory=list)
    lengths: list[OtherLength] = field(default_factory=list)
    still: list[StillSignal] = field(default_factory=list)
    uncovered: list[UncoveredBits] = field(default_factory=list)
    odd_values: list[OddValue] = field(default_factory=list)
    swapped: list[SwappedBytes] = field(default_factory=list)
    trace: Trace = field(init=False)

    def compare_all(self, trace: Trace, database: Database) -> None:
        """Hold all messages against a recording; without frames, or without messages, nothing is said."""
        keys = trace.streams.data_identifiers() if database.messages else []
        if not keys:
            return
        self.has_frames = True
        self.trace = trace
        rows = find_rows(trace, keys)
        for key in keys:
            message = database.with_identifier(key[0], is_extended=key[1])
            if message is not None:
                self.compare(message, rows[key])
        unlisted, unseen = _one_sided(trace, database, rows)
        self.unlisted += unlisted
        self.unseen += unseen

    def compare(self, message: Message, rows: Rows) -> None:
        """Hold one message against its frames."""
        usual = self._compare_lengths(message, rows)
        words = self._words(message, usual)
        moved = moved_bits(self.trace.payload, words, usual)
        self._find_uncovered(message, usual, words, moved)
        for signal in decode(self.trace, message).values():
            definition = signal.definition
            is_moving = bool(moved & definition.bits) or len(usual) < len(rows)
            if not is_moving or definition.multiplexer is not None:
                self._find_still(message, definition.name, signal)
            self.odd_values += odd_values(self.trace, message, signal, self.accepted.get(signal.path, ()))
            if is_moving and (swapped := swapped_bytes(self.trace, signal, moved)):
                self.swapped.append(swapped)

    def _compare_lengths(self, message: Message, rows: Rows) -> Rows:
        """Note a usual length that is not the declared one; return the frames of the usual length."""
        lengths = self.trace.payload.length[rows]
        counts = np.bincount(lengths)
        at_declared = int(counts[message.length]) if message.length < len(counts) else 0
        length = message.length if at_declared == counts.max() else int(counts.argmax())
        usual: Rows = rows if counts[length] == len(rows) else rows[lengths == length]
        if length != message.length:
            shortest = int(lengths.min())
            self.lengths.append(
                OtherLength(
                    message.name,
                    message.length,
                    {each: int(counts[each]) for each in np.flatnonzero(counts).tolist()},
                    tuple(signal.name for signal in message.signals if signal.needed_length > shortest),
                    places_of(self.trace, usual[:MOST_PLACES]),
                )
            )
        return usual

    def _words(self, message: Message, rows: Rows) -> Words:
        """Return the first eight payload bytes of some frames of a message."""
        part = self.trace.streams.data_part(message.identifier, is_extended=message.is_extended)
        if part is not None and part.stop - part.start == len(rows):
            return self.trace.words[part]
        return self.trace.payload.words.take(rows)

    def _find_uncovered(self, message: Message, rows: Rows, words: Words, moved: int) -> None:
        """Note bits that moved where no signal lies, in a message that has signals at all."""
        covered = 0
        for signal in message.signals:
            covered |= signal.bits
        bare = moved & ~covered
        if bare and covered and len(rows) >= LEAST_FRAMES:
            row = first_move(self.trace.payload, words, rows, bare)
            bits = tuple(bit for bit in range(bare.bit_length()) if bare >> bit & 1)
            self.uncovered.append(UncoveredBits(message.name, bits, places_of(self.trace, np.array([row]))))

    def _find_still(self, message: Message, name: str, signal: Signal) -> None:
        """Note a signal that has one value in all frames that carry it."""
        if len(signal.rows) < LEAST_FRAMES or signal.definition.length > 64:  # noqa: PLR2004 – a word
            return
        first = signal.raw[0]
        if signal.definition.multiplexer is None or bool((signal.raw == first).all()):
            self.still.append(StillSignal(f"{message.name}.{name}", float(first), len(signal.rows)))
