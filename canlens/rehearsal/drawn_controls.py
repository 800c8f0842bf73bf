"""Drawn controls: what the person of a drawn install operates, and the vehicle's messages that show it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from canlens.database import Message, SignalDefinition
from canlens.plan import Condition, Control, SignalReference
from canlens.rehearsal.drawn_layout import lay_out

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.rehearsal.drawn_vehicle import Identifiers, Vehicle
    from canlens.rehearsal.draws import Draws

IGNITION = "ignition"
OTHERS = ("horn", "brake_front", "brake_rear", "dusk", "beacon_key", "high_beam", "reverse", "winch_key", "side_stand")
KINDS = ("bit", "bit", "pair", "pair", "number", "table", "above", "below")
Keys = dict[str, Any]
"""Keys of a condition."""
CYCLES_S = (0.02, 0.05, 0.05, 0.1, 0.1, 0.2)
LARGEST_GROUP = 3
"""Controls in one message at most."""
SHOWN_NOT = (2, 3)
"""Raw values of a two-bit switch that say nothing: error and not available (SAE J1939-71, 5.2.2)."""


def draw_controls(vehicle: Vehicle, identifiers: Identifiers, draws: Draws) -> tuple[dict[str, Control], list[Message]]:
    """Draw three to seven controls, the ignition first, and the messages that carry them."""
    names = [IGNITION, *draws.shuffled(OTHERS)[: draws.integer(2, 6)]]
    controls: dict[str, Control] = {}
    messages: list[Message] = []
    while names:
        size = draws.integer(1, LARGEST_GROUP)
        group, names = names[:size], names[size:]
        node = draws.choice(vehicle.nodes)
        cycle_s = draws.choice(CYCLES_S)
        identifier, is_extended = identifiers.new(draws.uniform(0.1, 0.6))
        title = f"{node}{'Keys' if IGNITION not in group else 'Status'}{len(messages) + 1}"
        bare = Message(title, identifier, is_extended, 0, (node,), None if _is_event(group, draws) else cycle_s)
        drawn = {name: _control_signal(name, draws) for name in group}
        message = lay_out(bare, [signal for signal, _ in drawn.values()], vehicle.forms[node], draws)
        messages.append(message)
        for name, (signal, condition) in drawn.items():
            placed = message.signal(signal.name)
            if placed is None:
                raise AssertionError(signal.name)
            reference = SignalReference(f"{message.name}.{signal.name}", message, placed)
            controls[name] = Control(
                name, replace(condition, reference=reference), min_exercises=1 if name == IGNITION else None
            )
    return controls, messages


def _is_event(group: list[str], draws: Draws) -> bool:
    """Draw whether a group of keys is sent on a change only."""
    return IGNITION not in group and draws.uniform(0.0, 1.0) < 0.12  # noqa: PLR2004 – our choice


def _control_signal(name: str, draws: Draws) -> tuple[SignalDefinition, Condition]:
    """Draw the signal of a control, and when it counts as on; the reference is filled in later."""
    title = "".join(part.capitalize() for part in name.split("_"))
    kind = draws.choice(KINDS)
    if name == "dusk":
        kind = draws.choice(("below", "bit"))
    if name == IGNITION:
        kind = draws.choice(("bit", "table", "pair", "number"))
    build: dict[str, Callable[[str, Draws], tuple[SignalDefinition, Keys]]] = {
        "bit": _bit,
        "pair": _pair,
        "number": _number,
        "table": _table,
        "above": _above,
        "below": _below,
    }
    signal, keys = build[kind](title, draws)
    nowhere = SignalReference("", Message("", 0, is_extended=False, length=0), signal)
    return signal, replace(Condition(nowhere), **keys)


def _bit(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    del draws
    return SignalDefinition(title, 0, 1, minimum=0, maximum=1), {}


def _pair(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    if draws.integer(0, 1):
        table = {0: "Released", 1: "Operated", 2: "Fault", 3: "NotFitted"}
        return SignalDefinition(title, 0, 2, minimum=0, maximum=3, table=table), {"on_raw": (1,), "unknown": SHOWN_NOT}
    return SignalDefinition(title, 0, 2, minimum=0, maximum=3), {"unknown": SHOWN_NOT}


def _number(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    length = draws.integer(3, 8)
    return SignalDefinition(title, 0, length, minimum=0, maximum=2.0**length - 1), {
        "on_values": (float(draws.integer(1, 2**length - 1)),)
    }


def _table(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    words = ("Off", "Ready", "Run", "Boost", "Hold")
    on = draws.integer(1, 4)
    table = dict(enumerate(words))
    return SignalDefinition(title, 0, 3, minimum=0, maximum=4, table=table), {"on_raw": (on,)}


def _measured(title: str, draws: Draws) -> tuple[SignalDefinition, float, float]:
    length, scale = draws.integer(8, 12), draws.choice((0.1, 0.25, 0.5, 1))
    high = round(scale * ((1 << length) - 1), 6)
    return SignalDefinition(title, 0, length, scale=scale, minimum=0, maximum=high, unit="bar"), 0.0, high


def _above(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    signal, low, high = _measured(title, draws)
    return signal, {"above": round(low + (high - low) * draws.uniform(0.05, 0.3), 1)}


def _below(title: str, draws: Draws) -> tuple[SignalDefinition, Keys]:
    signal, low, high = _measured(title, draws)
    return signal, {"below": round(low + (high - low) * draws.uniform(0.1, 0.4), 1)}
