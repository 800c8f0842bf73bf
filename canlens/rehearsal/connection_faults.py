"""Connection faults: a bus on which nothing gets through, and a controller whose supply sags."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.rehearsal.disturbance import Window
from canlens.rehearsal.fault import Fault, Size, told_outputs, whole_bus
from canlens.rehearsal.supply import Sag

if TYPE_CHECKING:
    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.fault import Subject
    from canlens.rehearsal.install import Install

SHORT_OHM = (0.2, 1.8)
SHORTED_V = (2.35, 2.65)
"""Both lines at half of the transceivers' 5 V."""
DROP_V = Size(3.6, 6.5)
SAG_CHANCE = Size(0.6, 1.0)
SAG_AFTER_S = (0.02, 0.3)
PLUGGED_S = (0.05, 0.4)
"""How long a node with a wrong bit rate breaks everything, until it is error passive; our choice."""
STILL_BREAKS = Size(0.02, 0.3)
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


CONNECTION_FAULTS: tuple[Fault, ...] = (
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
    Fault(
        "supply-sag",
        "controller",
        lambda install: [(one.name,) for one in told_outputs(install)],
        _sag,
    ),
)
"""Faults of wires and supply."""
