"""Vehicle: a seed → bit rate, nodes, and messages with a place for each of their signals, like no other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from canlens.database import Message, SignalDefinition
from canlens.rehearsal.batches import carried_load

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
        draws.uniform(0.0, 1.0) < 0.3,
        draws.uniform(0.0, 1.0) < 0.5,
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


NODES = (
    *("Handlebar", "Dash", "Drive", "Brakes", "Panel", "Lamps", "Seat", "Gate", "Tank", "Roof", "Rear"),
    *("Steering", "Gearbox", "Cooling", "Cabin", "Suspension", "Trailer"),
)
TOPICS = (
    "State",
    "Values",
    "Speeds",
    "Temps",
    "Levels",
    "Trim",
    "Report",
    "Flow",
    "Angles",
    "Hours",
    "Limits",
    "Torque",
)
BIT_RATES = (125_000, 250_000, 250_000, 500_000)
FASTEST = ((0.005, 0.01, 0.02), (0.01, 0.02, 0.05), (0.02, 0.05, 0.1))
SLOWER = (0.05, 0.1, 0.1, 0.2, 0.5, 1.0)
QUANTITIES = (
    ("Temp", "degC", 8, 1, -40),
    ("Pressure", "bar", 12, 0.05, 0),
    ("Speed", "km/h", 16, 0.01, 0),
    ("Turns", "rpm", 16, 0.25, 0),
    ("Angle", "deg", 12, 0.1, -200),
    ("Fill", "%", 8, 0.5, 0),
    ("Torque", "Nm", 11, 0.5, -500),
    ("Volts", "V", 10, 0.02, 0),
    ("Rate", "l/h", 10, 0.1, 0),
    ("Count", "", 16, 1, 0),
)
EVENT_SHARE = 0.08
"""How many messages are sent on a change only."""


@dataclass(frozen=True)
class Vehicle:
    """What is on the bus before the accessory controller comes.

    Attributes
    ----------
    bit_rate
        Nominal [bit/s].
    load
        Bus load that is aimed at, 0 to 1.
    nodes
        Names, the controller's not among them.
    forms
        How each node's messages look.
    extended_share
        How many messages have extended identifiers.
    """

    bit_rate: int
    load: float
    nodes: tuple[str, ...]
    forms: dict[str, Form]
    extended_share: float


def draw_vehicle(draws: Draws) -> Vehicle:
    """Draw a vehicle's nodes and habits."""
    bit_rate = draws.choice(BIT_RATES)
    nodes = tuple(draws.shuffled(NODES)[: draws.integer(2, 11)])
    orders: tuple[ByteOrder, ...] = draws.choice((("intel",), ("motorola",), ("intel", "motorola")))
    return Vehicle(
        bit_rate,
        draws.uniform(0.2, 0.8 if bit_rate < BIT_RATES[-1] else 0.6),
        nodes,
        {node: draw_form(draws, byte_order=draws.choice(orders)) for node in nodes},
        draws.choice((0.0, 0.0, 0.3, 0.6, 1.0)),
    )


class Identifiers:
    """Hands out identifiers, each once; ``rank`` 0 is most urgent, 1 least."""

    def __init__(self, extended_share: float, draws: Draws) -> None:
        self.share = extended_share
        self.draws = draws
        self.taken: set[tuple[int, bool]] = set()

    def new(self, rank: float) -> tuple[int, bool]:
        """Return an identifier and whether it is extended."""
        is_extended = self.draws.uniform(0.0, 1.0) < self.share
        low, high = (0x0400_0000, 0x1FFF_FFFE) if is_extended else (0x040, 0x7EE)
        while True:
            near = min(max(rank + self.draws.uniform(-0.25, 0.25), 0.0), 1.0)
            identifier = low + int(near * (high - low))
            if (identifier, is_extended) not in self.taken:
                self.taken.add((identifier, is_extended))
                return identifier, is_extended
            rank = self.draws.uniform(0.0, 1.0)


def fill_up(
    vehicle: Vehicle, present: Sequence[Message], identifiers: Identifiers, draws: Draws
) -> tuple[list[Message], list[Message]]:
    """Draw the vehicle's other messages until the bus carries what it should.

    Returns
    -------
    list of Message
        Those that the DBC knows.
    list of Message
        Those that it does not.
    """
    fast = draws.choice(FASTEST) if vehicle.bit_rate > BIT_RATES[0] else FASTEST[-1]
    needed = vehicle.load * vehicle.bit_rate / 125  # frames a second, roughly
    share_fast = min(0.9, needed / 4000 + 0.25)
    hidden_share = draws.choice((0.0, 0.2, 0.5))
    known: list[Message] = []
    hidden: list[Message] = []
    load = carried_load(present, vehicle.bit_rate)
    while load < vehicle.load or len(known) < len(vehicle.nodes):
        node = (
            vehicle.nodes[len(known) % len(vehicle.nodes)]
            if len(known) < len(vehicle.nodes)
            else draws.choice(vehicle.nodes)
        )
        cycle_s = draws.choice(fast if draws.uniform(0.0, 1.0) < share_fast else SLOWER)
        is_event = draws.uniform(0.0, 1.0) < EVENT_SHARE and len(known) >= len(vehicle.nodes)
        identifier, is_extended = identifiers.new(min(cycle_s, 1.0) ** 0.5)
        name = f"{node}{draws.choice(TOPICS)}{len(known) + len(hidden) + 1}"
        bare = Message(
            name,
            identifier,
            is_extended,
            draws.choice((8, 8, 8, 6, 4, 2)),
            (node,),
            None if is_event else cycle_s,
        )
        message = lay_out(bare, _values(bare, vehicle.forms[node], draws), vehicle.forms[node], draws, fills=True)
        load += carried_load([message], vehicle.bit_rate)
        is_hidden = draws.uniform(0.0, 1.0) < hidden_share and len(known) >= len(vehicle.nodes)
        (hidden if is_hidden else known).append(message)
    return known, [replace(one, name=f"Foreign{one.identifier:X}") for one in hidden]


def _values(message: Message, form: Form, draws: Draws) -> list[SignalDefinition]:
    """Draw what a message carries besides counter and checksum."""
    room = 8 * message.length - form.counter_bits - (8 if form.checksum else 0) - 4
    found: list[SignalDefinition] = []
    while room > 0 and (len(found) < 1 or draws.uniform(0.0, 1.0) < 0.85):
        if draws.uniform(0.0, 1.0) < 0.3 or room < 8:
            found.append(SignalDefinition(f"Switch{len(found) + 1}", 0, 1, minimum=0, maximum=1))
        else:
            found.append(_quantity(len(found) + 1, room, draws))
        room -= found[-1].length
    return found


def _quantity(number: int, room: int, draws: Draws) -> SignalDefinition:
    """Draw a measured value of at most ``room`` bits; there are eight at least."""
    fitting = [one for one in QUANTITIES if one[2] <= room]
    name, unit, length, scale, offset = draws.choice(fitting)
    low = float(offset)
    high = round(low + scale * ((1 << length) - 1), 6)
    return SignalDefinition(
        f"{name}{number}", 0, length, scale=scale, offset=offset, minimum=low, maximum=high, unit=unit
    )
