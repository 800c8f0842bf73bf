"""Controls and outputs: what the person of a drawn install operates, what follows it, and the messages that tell."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from canlens.database import Message, SignalDefinition
from canlens.plan import Condition, Control, Controller, Output, Rule, SignalReference
from canlens.plan.rule import parse_rule
from canlens.rehearsal.needs import switched_on_by
from tests.drawn.vehicle import draw_form, lay_out

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from canlens.rehearsal.draws import Draws
    from tests.drawn.vehicle import Identifiers, Vehicle

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
    return IGNITION not in group and draws.uniform(0.0, 1.0) < 0.12


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


NODES = ("Auxbox", "Switchbox", "Loadbox", "Addon", "Powerbox")
LOADS = {
    "siren": 6.0,
    "flood": 5.0,
    "beacon": 2.5,
    "radio": 1.5,
    "heater": 4.0,
    "pump": 3.5,
    "fan": 3.0,
    "repeater": 1.5,
    "strobe": 2.0,
    "charger": 2.0,
}
"""Names of outputs and what their loads draw, about [A]."""
STATE_CYCLES_S = (0.02, 0.05, 0.05, 0.1, 0.1)
VALUE_CYCLES_S = (0.05, 0.1, 0.1, 0.2)
WITHIN_S = (0.25, 0.3, 0.4, 0.5, 0.6)
LEVEL_SHARE, FLASH_SHARE, RUN_ON_SHARE, CUT_SHARE, AMPS_SHARE, VOLTS_SHARE = 0.3, 0.2, 0.25, 0.2, 0.8, 0.6
"""How often an output has a level, flashes, runs on, is cut off, and how often a controller tells of current and
voltage; our choice."""


@dataclass
class _Told:
    """Signals of one kind that the controller tells, with what becomes of each."""

    topic: str
    cycles_s: tuple[float, ...]
    signals: list[SignalDefinition] = field(default_factory=list)


def draw_outputs(
    controls: dict[str, Control], identifiers: Identifiers, draws: Draws
) -> tuple[dict[str, Output], Controller, list[Message], dict[str, Control]]:
    """Draw two to six outputs.

    Returns
    -------
    dict
        The outputs.
    Controller
        Their controller.
    list of Message
        What it sends.
    dict
        The controls again, some with what the controller says it saw of them.
    """
    names = draws.shuffled(list(LOADS))[: draws.integer(2, 5)]
    rules = _rules(list(controls), len(names), draws)
    bare = [_output(name, rule, controls, draws) for name, rule in zip(names, rules, strict=True)]
    tells_amps, tells_volts = draws.uniform(0.0, 1.0) < AMPS_SHARE, draws.uniform(0.0, 1.0) < VOLTS_SHARE
    state, amps, volts, inputs = (
        _Told("State", STATE_CYCLES_S),
        _Told("Amps", VALUE_CYCLES_S),
        _Told("Volts", VALUE_CYCLES_S),
        _Told("Inputs", STATE_CYCLES_S),
    )
    conditions = {}
    for number, output in enumerate(bare, 1):
        signal, keys = _command(f"Out{number}", draws)
        state.signals.append(signal)
        conditions[output.name] = keys
        if output.level_day is not None:
            state.signals.append(_scaled(f"Out{number}Level", 8, 0.5, "%"))
        if tells_amps:
            amps.signals.append(_scaled(f"Out{number}Amps", 10, 0.05, "A"))
        if tells_volts:
            volts.signals.append(_scaled(f"Out{number}Volts", 8, 0.1, "V"))
    volts.signals.append(_scaled("Supply", 10, 0.02, "V"))
    if draws.integer(0, 1):
        inputs.signals += [SignalDefinition(f"{name.title().replace('_', '')}Seen", 0, 1) for name in controls]
    node = draws.choice(NODES)
    messages = _messages(node, (state, amps, volts, inputs), identifiers, draws)
    found = {signal.name: (message, signal) for message in messages for signal in message.signals}

    def reference(name: str) -> SignalReference | None:
        place = found.get(name)
        return SignalReference(f"{place[0].name}.{name}", *place) if place else None

    outputs = {}
    for number, output in enumerate(bare, 1):
        command = reference(f"Out{number}On")
        assert command is not None
        outputs[output.name] = replace(
            output,
            command=replace(Condition(command), **conditions[output.name]),
            level=reference(f"Out{number}Level"),
            current=reference(f"Out{number}Amps"),
            voltage=reference(f"Out{number}Volts"),
        )
    seen = {
        name: replace(one, noticed=Condition(path))
        if (path := reference(f"{name.title().replace('_', '')}Seen")) is not None
        else one
        for name, one in controls.items()
    }
    return outputs, Controller(node, reference("Supply"), 9.5), messages, seen


def _messages(node: str, topics: Sequence[_Told], identifiers: Identifiers, draws: Draws) -> list[Message]:
    """Put the signals of each topic into messages, 44 bits at most in each."""
    form = draw_form(draws, byte_order=draws.choice(("intel", "motorola")))
    messages = []
    for topic in topics:
        cycle_s = draws.choice(topic.cycles_s)
        parts: list[list[SignalDefinition]] = [[]]
        for signal in topic.signals:
            if sum(one.length for one in parts[-1]) + signal.length > 44:
                parts.append([])
            parts[-1].append(signal)
        for number, part in enumerate(parts):
            if not part:
                continue
            identifier, is_extended = identifiers.new(draws.uniform(0.5, 1.0))
            bare = Message(f"{node}{topic.topic}{number or ''}", identifier, is_extended, 0, (node,), cycle_s)
            messages.append(lay_out(bare, part, form, draws))
    return messages


def _command(title: str, draws: Draws) -> tuple[SignalDefinition, dict[str, Any]]:
    """Draw how the controller tells the state of an output."""
    kind = draws.choice(("bit", "bit", "pair", "table"))
    if kind == "pair":
        return SignalDefinition(f"{title}On", 0, 2), {"unknown": SHOWN_NOT}
    if kind == "table":
        table = {0: "Off", 1: "Waiting", 2: "On", 3: "Tripped"}
        return SignalDefinition(f"{title}On", 0, 2, table=table), {"on_raw": (2,)}
    return SignalDefinition(f"{title}On", 0, 1), {}


def _scaled(name: str, length: int, scale: float, unit: str) -> SignalDefinition:
    return SignalDefinition(
        name, 0, length, scale=scale, minimum=0, maximum=round(scale * ((1 << length) - 1), 3), unit=unit
    )


def _rules(controls: list[str], number: int, draws: Draws) -> list[Rule]:
    """Draw rules, no two of which mean the same while the ignition is on."""
    rules: list[Rule] = []
    while len(rules) < number:
        rule = parse_rule(_rule_text(controls, draws), controls)
        if not any(_with_ignition(rule).same_as(_with_ignition(other)) for other in rules):
            rules.append(rule)
    return rules


def _with_ignition(rule: Rule) -> Rule:
    return rule.with_fixed(IGNITION, state=1) if IGNITION in rule.controls else rule


def _rule_text(controls: list[str], draws: Draws) -> str:
    """Draw a rule: one control, or two or three of them."""
    one, two, three = draws.shuffled(controls)[:3]
    return draws.choice(
        (
            one,
            one,
            one,
            one,
            f"{one} or {two}",
            f"{one} and {two}",
            f"{one} and not {two}",
            f"{one} and ({two} or {three})",
        )
    )


def _output(name: str, rule: Rule, controls: dict[str, Control], draws: Draws) -> Output:
    """Draw one output's behaviour and limits, without its signals."""
    load_a = round(LOADS[name] * draws.uniform(0.8, 1.25), 1)
    output = Output(
        name,
        rule,
        load=f"{name} of the carrier",
        terminal=f"plug {draws.integer(1, 3)}, pin {draws.integer(1, 8)}",
        within_s=draws.choice(WITHIN_S),
        continuous_a=round(load_a * draws.uniform(1.4, 2.0), 1),
        load_a=load_a,
    )
    works_with_ignition = switched_on_by(rule, {IGNITION: True}) is not None
    spare = [one for one in controls if one not in (*rule.controls, IGNITION) and works_with_ignition]
    if draws.uniform(0.0, 1.0) < LEVEL_SHARE:
        output = replace(output, level_day=float(draws.choice((100, 90, 80))), level_tolerance=3.0)
        if spare and draws.integer(0, 1):
            output = replace(output, level_night=float(draws.integer(5, 12) * 5), night=draws.choice(spare))
    elif spare and draws.uniform(0.0, 1.0) < FLASH_SHARE:
        hz = draws.choice((1.0, 1.5, 2.0))
        output = replace(output, flash_when=Rule.of(draws.choice(spare)), flash_hz=hz, flash_tolerance_hz=0.2 * hz)
    if output.flash_when is not None:  # a timer would leave it dark, or flashing with nobody asking
        return output
    if draws.uniform(0.0, 1.0) < RUN_ON_SHARE:
        time_s = draws.integer(4, 14) / 2
        output = replace(output, run_on_s=time_s, run_on_tolerance_s=max(0.5, 0.05 * time_s))
    elif output.night is None and draws.uniform(0.0, 1.0) < (2 if IGNITION in rule.controls else 1) * CUT_SHARE:
        time_s = draws.integer(6, 18) / 2
        output = replace(output, cut_after_s=time_s, cut_after_tolerance_s=max(0.5, 0.05 * time_s))
    return output
