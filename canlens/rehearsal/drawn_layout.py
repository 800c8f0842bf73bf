"""Drawn layout: signals that somebody wants in a message → a message with a place for each of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canlens.database import Message, SignalDefinition

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database import ByteOrder
    from canlens.rehearsal.draws import Draws

MOST_BITS = 64
COUNTER_NAMES = ("AliveCounter", "RollingCount", "FrameCounter", "SequenceNumber")
CHECKSUM_NAMES = ("Checksum", "MessageCrc")
"""The first is an exclusive-or of the other bytes, the second a CRC-8."""


@dataclass(frozen=True)
class Form:
    """How the messages of one node look.

    Attributes
    ----------
    byte_order
        Of all its signals.
    counter_bits
        4 or 8; 0 for messages without a counter.
    checksum
        Name of a checksum that takes a byte of its own; empty for none.
    is_first
        Whether counter and checksum stand in front of the values.
    packed
        Whether signals follow one another at once, or begin at a byte of their own where there is room.
    """

    byte_order: ByteOrder
    counter_bits: int
    checksum: str
    is_first: bool
    packed: bool


def draw_form(draws: Draws, *, byte_order: ByteOrder) -> Form:
    """Draw how one node's messages look."""
    return Form(
        byte_order,
        draws.choice((0, 4, 4, 8)),
        draws.choice(("", "", *CHECKSUM_NAMES)),
        draws.uniform(0.0, 1.0) < 0.3,  # noqa: PLR2004 – our choice
        draws.uniform(0.0, 1.0) < 0.5,  # noqa: PLR2004
    )


def lay_out(
    message: Message, wanted: Sequence[SignalDefinition], form: Form, draws: Draws, *, fills: bool = False
) -> Message:
    """Give each wanted signal its place.

    Parameters
    ----------
    message
        Without signals; its length counts only where ``fills``.
    wanted
        Signals whose start bit says nothing yet; together with counter and checksum at most 64 bits.
    form
        Its byte order, counter and checksum.
    draws
        Random numbers.
    fills
        Whether the message keeps its length; else it is as long as it must be, or a byte longer.
    """
    extras = []
    if form.checksum:
        extras.append(SignalDefinition(form.checksum, 0, 8))
    if form.counter_bits:
        extras.append(SignalDefinition(COUNTER_NAMES[draws.integer(0, 3)], 0, form.counter_bits))
    needed = sum(one.length for one in wanted)
    while needed + sum(one.length for one in extras) > MOST_BITS:
        extras.pop()
    listed = [*extras, *wanted] if form.is_first else [*wanted, *reversed(extras)]
    free = MOST_BITS - sum(one.length for one in listed)
    placed: list[SignalDefinition] = []
    place = 0
    for one in listed:
        gap = -place % 8 if not form.packed or one.name == form.checksum else draws.integer(0, 1)
        if one.name == form.checksum and gap > free:
            continue
        gap = gap if gap <= free else 0
        place, free = place + gap, free - gap
        placed.append(_at(one, place, form.byte_order))
        place += one.length
    least = (place + 7) // 8
    length = max(message.length, least) if fills else min(8, least + draws.integer(0, 1))
    return replace(message, length=length, signals=tuple(placed))


def _at(signal: SignalDefinition, place: int, byte_order: ByteOrder) -> SignalDefinition:
    """Return the signal so that ``place`` bits stand before it, counted in the direction of its byte order."""
    start = place if byte_order == "intel" or signal.length == 0 else place // 8 * 8 + 7 - place % 8
    return replace(signal, start_bit=start, byte_order=byte_order)
