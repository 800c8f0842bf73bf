"""Bus faults: what breaks frames, takes nodes away, keeps the bus awake or silent, or lets the supply sag."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.rehearsal.feed import Sag
from canlens.rehearsal.install import Extent, Fault, Window, outputs_with, told_outputs, whole_bus
from canlens.rehearsal.output_model import rule_timeline

if TYPE_CHECKING:
    from canlens.database import Message
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.install import Disturbance, Install, Subject

SPORADIC = Extent(0.00001, 0.0003)
EDGES = Extent(0.0003, 0.02)
SENDER = Extent(0.004, 0.2)
RECEIVER = Extent(0.0003, 0.02)
INTERFERENCE = Extent(0.002, 0.08)
"""Shares of attempts that break; our choice: from a handful in a minute to a bus that hardly works."""
GAPS_A_MINUTE = Extent(5.0, 40.0)
GAP_S = (0.04, 1.6)
"""How long a contact is open; most are short."""
GAP_ROOM_S = 0.4
LOOSE_OHM = (57.0, 63.0)
ONE_TERMINATOR_OHM = (116.0, 124.0)
THREE_TERMINATORS_OHM = (38.5, 41.5)
"""120 ohm each, side by side, with a few per cent of the resistors' and the meter's error."""
AWAKE_S = Extent(12.0, 60.0)
"""How long a bus that does not sleep is recorded after it should be quiet."""
WAKE_APART_S = (3.0, 12.0)
WAKE_LASTS_S = (0.6, 4.0)
LEAST_ON, MOST_ON = 0.02, 0.8
"""An output that disturbs is on for such a share of the time: else nothing could be laid at its door."""
DOUBLE_OF_CYCLE = (0.7, 1.4)
"""The double of a message is sent at a cycle time of its own, as a multiple of the other's."""


def nodes_of(install: Install) -> list[Subject]:
    """Return the nodes that send cyclic messages."""
    names = [one.senders[0] for one in install.messages() if one.senders and one.cycle_time_s]
    return [(name,) for name in dict.fromkeys(names)]


def _disturbed(install: Install, **changes: object) -> Install:
    """Return the install with another thing added that breaks frames."""
    changed: Disturbance = replace(install.disturbance, **changes)  # type: ignore[arg-type]
    return replace(install, disturbance=changed)


def _sporadic(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws
    share = SPORADIC.at(strength)
    return _disturbed(install, sporadic=share), f"{share:.6f} of all attempts to send break, by chance"


def _terminator_missing(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws
    share = EDGES.at(strength)
    changed = _disturbed(install, edges=share)
    return (
        replace(changed, meter={**install.meter, "h_l_ohm": ONE_TERMINATOR_OHM}),
        f"one terminator is missing; {share:.5f} of all attempts of usual frames break, at their edges",
    )


def _terminator_extra(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject
    meter = {**install.meter, "h_l_ohm": THREE_TERMINATORS_OHM}
    share = 0.05 * SPORADIC.at(strength) if draws.integer(0, 3) == 0 else 0.0
    return (
        replace(_disturbed(install, sporadic=install.disturbance.sporadic + share), meter=meter),
        "a third terminator hangs on the bus; the recording hardly shows it",
    )


def _bad_sender(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws
    share = SENDER.at(strength)
    changed = _disturbed(install, senders={**install.disturbance.senders, subject[0]: share})
    return changed, f"{share:.4f} of the attempts of {subject[0]} break, of no other node"


def _bad_receiver(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws
    share = RECEIVER.at(strength)
    changed = _disturbed(install, receivers={**install.disturbance.receivers, subject[0]: share})
    return changed, f"{subject[0]} breaks {share:.5f} of what all other nodes try to send"


def _interference(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del draws
    share = INTERFERENCE.at(strength)
    changed = _disturbed(install, outputs={**install.disturbance.outputs, subject[0]: share})
    return changed, f"{share:.4f} of all attempts break while {subject[0]} is on"


def _switched(install: Install) -> list[Subject]:
    """Return the outputs that are on for a part of the time in which the bus is awake."""
    wanted = {name: install.schedule.wanted(name) for name in install.plan.controls}
    awake_s = sum(stop_s - start_s for start_s, stop_s in install.schedule.awake)
    shares = {
        one.name: sum(stop - start for start, stop in rule_timeline(one.when, wanted).spans(install.schedule.end_s))
        / awake_s
        for one in told_outputs(install)
    }
    return [(name,) for name, share in shares.items() if LEAST_ON < share < MOST_ON]


def _intermittent(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Open a node's contact for moments, in which nothing of it reaches the bus."""
    node = subject[0]
    spans: list[tuple[float, float]] = []
    mean_s = 60.0 / GAPS_A_MINUTE.at(strength)
    for start_s, end_s in install.schedule.awake:
        now = start_s + GAP_ROOM_S + draws.uniform(0.0, 1.0) * mean_s
        while now < end_s - GAP_ROOM_S:
            share = draws.uniform(0.0, 1.0)
            length_s = GAP_S[0] + (GAP_S[1] - GAP_S[0]) * share * share
            spans.append((now, now + length_s))
            now += length_s + GAP_ROOM_S + mean_s * draws.uniform(0.3, 1.7)
    gaps = tuple(spans)
    habits = {**install.habits, node: replace(install.habit_of_node(node), absent=gaps)}
    changed = _disturbed(install, gaps={**install.disturbance.gaps, node: gaps})
    meter = {**install.meter, "h_l_ohm": LOOSE_OHM}
    return replace(changed, habits=habits, meter=meter), f"{node} loses contact {len(gaps)} times"


def _doubled(install: Install) -> list[Subject]:
    """Return the vehicle's cyclic messages that carry no control."""
    carrying = {control.condition.reference.message.name for control in install.plan.controls.values()}
    several = len(nodes_of(install)) > 1
    return [
        (one.name,) for one in install.vehicle_messages if several and one.cycle_time_s and one.name not in carrying
    ]


def _duplicate(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Let another node, most often the accessory controller, use an identifier that is taken."""
    message = next(one for one in install.vehicle_messages if one.name == subject[0])
    others = [name for (name,) in nodes_of(install) if name not in message.senders]
    node = install.plan.controller.node
    sender = node if node in others and draws.integer(0, 2) else draws.choice(others)
    cycle_s = (message.cycle_time_s or 0.1) * draws.uniform(*DOUBLE_OF_CYCLE) / max(0.25, strength)
    double = replace(
        _another(message), name=f"{message.name} of {sender}", senders=(str(sender),), cycle_time_s=cycle_s
    )
    return (
        replace(install, doubles=(*install.doubles, double)),
        f"{sender} sends under the identifier of {message.name}, too, every {cycle_s * 1000:.0f} ms",
    )


def _another(message: Message) -> Message:
    """Return the message with the signals of another one: its values lie elsewhere."""
    spare = message.length * 8
    signals = tuple(
        replace(one, start_bit=(one.start_bit + 8) % spare)
        for one in message.signals
        if one.byte_order == "intel" and (one.start_bit + 8) % spare + one.length <= spare
    )
    return replace(message, signals=signals)


def _speakers(install: Install) -> list[Subject]:
    """Return the identifiers of cyclic messages; only where the bus sleeps at all."""
    if not install.schedule.is_asleep_at_end:
        return []
    return [(f"0x{one.identifier:x}",) for one in install.messages() if one.cycle_time_s and one.cycle_time_s < 1.0]


def _stays_awake(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Let one message go on after the ignition, or wake the whole bus again and again."""
    message = next(one for one in install.messages() if f"0x{one.identifier:x}" == subject[0])
    sleep_s = install.schedule.awake[-1][1]
    end_s = sleep_s + install.schedule.spare_s + AWAKE_S.at(strength)
    longer = replace(install, schedule=replace(install.schedule, end_s=end_s))
    first = install.habit_of(message)
    if draws.integer(0, 1):
        spans: tuple[tuple[float, float], ...] = ((sleep_s, end_s),)
        way = replace(first, awake=spans, is_first=True)
        return (
            replace(longer, ways={**install.ways, message.name: way}),
            f"{message.name} is sent on and on after the ignition",
        )
    spans = ()
    now = sleep_s + draws.uniform(*WAKE_APART_S)
    while now < end_s - WAKE_LASTS_S[1]:
        stop_s = now + draws.uniform(*WAKE_LASTS_S)
        spans = (*spans, (now, stop_s))
        now = stop_s + draws.uniform(*WAKE_APART_S)
    ways = {
        one.name: replace(install.habit_of(one), awake=spans, is_first=one is message) for one in install.messages()
    }
    return replace(longer, ways={**install.ways, **ways}), f"{message.name} wakes the bus {len(spans)} times"


SHORT_OHM = (0.2, 1.8)
SHORTED_V = (2.35, 2.65)
"""Both lines at half of the transceivers' 5 V."""
DROP_V = Extent(3.6, 6.5)
SAG_CHANCE = Extent(0.6, 1.0)
SAG_AFTER_S = (0.02, 0.3)
PLUGGED_S = (0.05, 0.4)
"""How long a node with a wrong bit rate breaks everything, until it is error passive; our choice."""
STILL_BREAKS = Extent(0.02, 0.3)
"""Share of attempts that it breaks later, whenever it tries to send itself; our choice."""


def _dead(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws, strength
    return replace(install, is_bus_dead=True), "nobody sends anything"


def _shorted(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws, strength
    meter = {**install.meter, "h_l_ohm": SHORT_OHM, "h_v": SHORTED_V, "l_v": SHORTED_V}
    return replace(install, is_bus_dead=True, meter=meter), "CAN_H and CAN_L touch each other"


def _alone(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    del subject, draws, strength
    return replace(install, is_unacknowledged=True), "one node sends and nobody acknowledges"


def _controllers(install: Install) -> list[Subject]:
    """Return the controller's node, if it is known."""
    node = install.plan.controller.node
    return [(node,)] if node is not None and install.controller_messages else []


def _wrong_rate(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    """Set the recorder's bit rate wrong, or the controller's."""
    if not subject:
        return replace(install, is_rate_wrong=True), "the recorder listens with a wrong bit rate"
    windows = list(install.disturbance.windows)
    for start_s, end_s in install.schedule.awake:
        passive_s = start_s + draws.uniform(*PLUGGED_S)
        windows += [Window(start_s, passive_s, 0.9), Window(passive_s, end_s, STILL_BREAKS.at(strength))]
    changed = replace(
        install, is_controller_silent=True, disturbance=replace(install.disturbance, windows=tuple(windows))
    )
    return changed, f"{subject[0]} is set to a wrong bit rate and breaks what others send"


def _sag(install: Install, subject: Subject, draws: Draws, strength: float) -> tuple[Install, str]:
    sag = Sag(subject[0], DROP_V.at(strength), draws.uniform(*SAG_AFTER_S), SAG_CHANCE.at(strength))
    return (
        replace(install, sag=sag),
        f"the supply drops by {sag.drop_v:.1f} V while {sag.output} is on, and the controller restarts",
    )


BUS_FAULTS: tuple[Fault, ...] = (
    Fault("no-traffic", "bus", whole_bus, _dead),
    Fault("nobody-acknowledges", "bus", whole_bus, _alone),
    Fault(
        "wrong-bit-rate",
        "bus",
        lambda install: [*whole_bus(install), *_controllers(install)],
        _wrong_rate,
        usual=whole_bus,
    ),
    Fault("lines-shorted", "bus", whole_bus, _shorted),
    Fault("supply-sag", "controller", outputs_with(lambda _: True), _sag),
    Fault("terminator-missing", "bus", whole_bus, _terminator_missing),
    Fault("terminator-extra", "bus", whole_bus, _terminator_extra),
    Fault("node-intermittent", "bus", nodes_of, _intermittent),
    Fault("duplicate-identifier", "bus", _doubled, _duplicate),
    Fault("interference-from-output", "bus", outputs_with(lambda _: True), _interference, usual=_switched),
    Fault("bus-stays-awake", "bus", _speakers, _stays_awake),
    Fault("bad-sender", "bus", nodes_of, _bad_sender, is_cause=False),
    Fault("bad-receiver", "bus", nodes_of, _bad_receiver, is_cause=False),
    Fault("sporadic-errors", "bus", whole_bus, _sporadic, is_cause=False),
)
"""Faults of wires, supply and bus; the first four leave a bus on which nothing gets through."""
