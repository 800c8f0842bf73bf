"""Controller: whether it is alive and stays so, and whether the signals of controls move."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.weighing import bus_words
from canlens.plan.rule import ON
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.outputs import Evidence, SupplyEvidence


# Controller: whether it is alive and stays so. Control: whether its signal moves.


SAGGING = 10.0
"""How much more each fall of the supply just after an output turned on speaks for that output (our choice)."""
MOST = 0.7
"""So many of the restarts must go with one output."""


STOPPED_S = 2.0
"""A controller whose messages stay away to the end, so long and for ten of their cycles, has stopped (our choice)."""
STOPPED_CYCLES = 10
TWO = 2
ASKED = 2
"""So many exercises after it stopped: then it was not put to sleep by the person."""


def life(evidence: Evidence) -> Sign | None:
    """Tell whether the controller's messages come, and whether they stop for good; None where it has none."""
    node = evidence.plan.controller.node or "the controller"
    if evidence.controller_seen is False:
        return Sign("controller", "none", f"{evidence.frames} frames, none of them sent by {node}")
    if not evidence.controller_seen and not any(own.message_seen for own in evidence.outputs.values()):
        return None
    stop_s = stopped(evidence)
    if stop_s is not None:
        return Sign("controller", "stops", f"messages of {node} stop for good at {stop_s:.1f} s though the bus goes on")
    return Sign("controller", "come", f"messages of {node} come: it has supply and is on the bus")


def stopped(evidence: Evidence) -> float | None:
    """Return when the messages of the controller stopped for good though the bus went on and it was asked for [s]."""
    node = evidence.plan.controller.node
    own = [each for each in evidence.bus_evidence.intervals if node in each.senders]
    cycles_s = [each.cycle_s for each in own if each.cycle_s]
    if not cycles_s:
        return None
    last_s = max(each.last_s for each in own)
    others_s = [each.last_s for each in evidence.bus_evidence.intervals if node not in each.senders]
    if max(others_s, default=0.0) - last_s < max(STOPPED_S, STOPPED_CYCLES * min(cycles_s)):
        return None
    awake = evidence.controls.get(evidence.plan.bus.awake_while or "")
    asked = 0
    for each in evidence.outputs.values():
        edges_s = each.rule.time_s[each.rule.rises]
        edges_s = edges_s[edges_s > last_s]
        asked += int((awake.track.at(edges_s) == ON).sum()) if awake is not None else len(edges_s)
    return last_s if asked >= ASKED else None


def cases(asked: Asked) -> Iterator[Case]:
    """Ask whether the controller is alive and stays so."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    node = evidence.plan.controller.node or "the controller"
    alive = life(evidence)
    signs = [alive] if alive is not None and evidence.controller_seen is not None else []
    suspects: dict[str, tuple[Suspect, ...]] = {"controller-silent": (Suspect((node,)),), "supply-sag": ()}
    if evidence.supply is not None:
        more, suspects["supply-sag"] = _restarts(evidence.supply)
        signs += more
    if signs:
        output = suspects["supply-sag"][0].subject[0] if suspects["supply-sag"] else "the output"
        left = (1 - asked.wrong("traffic", ())) * (1 - asked.decided("supply-missing", "bus-plug-open"))
        yield Case("controller", (), tuple(signs), suspects, left=left, words={**bus_words(evidence), "output": output})


def _restarts(supply: SupplyEvidence) -> tuple[list[Sign], tuple[Suspect, ...]]:
    """Tell whether the controller fell silent, when, and what its supply did."""
    number = len(supply.restarts_s)
    ranked = sorted(supply.aligned, key=lambda each: -each.likelihood)
    best = ranked[0] if ranked else None
    signs = []
    if not number or best is None:
        signs.append(Sign("restarts", "elsewhere" if number else "none", "it never fell silent"))
    else:
        value = "at turn-on" if best.restarts >= MOST * number and best.restarts else "elsewhere"
        told = f"it fell silent {counted(number, 'time')}, {best.restarts} of them just after {best.output} turned on"
        signs.append(Sign("restarts", value, told))
    if supply.lowest_v is not None:
        value = "sags with an output" if supply.sags else "sags" if supply.is_sagging else "steady"
        signs.append(
            Sign("supply", value, f"its supply falls to {supply.lowest_v:.3g} V, usually {supply.usual_v:.3g} V")
        )
    share = {each.output: each.likelihood * (1 + SAGGING * len(supply.sags.get(each.output, ()))) for each in ranked}
    total = sum(share.values()) or 1.0
    return signs, tuple(Suspect((name,), each / total) for name, each in share.items())


def control_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every control that was operated by the marks whether its signal moved."""
    evidence = asked.evidence
    for name, own in evidence.controls.items():
        if not own.is_readable or own.marked is None or not len(own.marked):
            continue
        value = "moves" if not own.is_unmoved else "in part" if len(own.exercises) else "stands"
        moved = counted(len(own.exercises), "edge")
        sign = Sign(
            "control", value, f"operated {counted(len(own.marked), 'time')} by the marks, its signal shows {moved}"
        )
        signal = evidence.plan.controls[name].condition.reference.path
        yield Case("control", (name,), (sign,), words=bus_words(evidence, control=name, message=signal))


WEAK_V = 0.8
"""An output that pulls all the rest down by more than this has a weak feed or ground (our choice; the trade allows some
half a volt)."""


def ground_cases(asked: Asked) -> Iterator[Case]:
    """Ask whether whatever output turns on pulls the others, or the supply, down."""
    evidence = asked.evidence
    falls_v = evidence.supply.falls_v if evidence.supply is not None else {}
    if len(falls_v) < TWO or not evidence.frames:
        return
    weak = tuple(name for name, volts in falls_v.items() if volts > WEAK_V)
    value = "several" if len(weak) >= TWO else "one" if weak else "none"
    told = ", ".join(f"{name} by {falls_v[name]:.2g} V" for name in weak or falls_v)
    sign = Sign("falls", value, f"supply and other outputs fall while it is on: {told}")
    left = 1 - asked.wrong("controller", ())
    suspects = {"common-ground": (Suspect(weak),) if weak else ()}
    words = bus_words(evidence, outputs=", ".join(weak))
    yield Case("ground", (), (sign,), suspects, left=left, words=words)


COMMON_GROUND = Candidate(
    name="common-ground",
    scope="controller",
    question="ground",
    weight=4,
    chances={
        "falls": {"none": 0.1, "one": 0.1, "several": 0.8},
    },
    docstring="""common-ground: several outputs sag together.

What is wrong
    The ground lead, or the feed, that several loads share is thin, long or corroded: whatever turns on pulls all the
    rest down.
Speaks for it
    The supply, or the voltage of an output that is on, falls by about a volt whichever other output turns on.
Speaks against it
    Only one output does so; a supply that stays.
Next test
    Measure from battery minus to the controller's ground pin while one output after the other is on.
""",
)


CONTROLLER_SILENT = Candidate(
    name="controller-silent",
    scope="controller",
    question="controller",
    weight=8,
    chances={
        "controller": {"come": 0.002, "stops": 0.1, "none": 0.898},
    },
    docstring="""controller-silent: traffic, but not one message of the controller, or none from some moment on.

What is wrong
    The controller has no supply or ground, is not on this bus, or works at another bit rate.
Speaks for it
    A node named in the plan, none of whose messages came on a bus with traffic, or whose messages stop for good while
    the bus goes on and its controls are operated.
Speaks against it
    Frames of the controller to the end.
Next test
    Measure the controller's supply and ground at its own plug, under load; then H and L there.
""",
)


SUPPLY_SAG = Candidate(
    name="supply-sag",
    scope="controller",
    question="controller",
    weight=8,
    chances={
        "controller": {"come": 0.994, "stops": 0.004, "none": 0.002},
        "restarts": {"none": 0.15, "at turn-on": 0.8, "elsewhere": 0.05},
        "supply": {"steady": 0.3, "sags": 0.2, "sags with an output": 0.5},
    },
    docstring="""supply-sag: the controller restarts when an output turns on.

What is wrong
    Its feed or ground is too thin, corroded or from a limited circuit: the load's current pulls its supply down,
    and it starts anew.
Speaks for it
    Its messages stop within a second after an output turns on and come back; the reported supply falls; outputs
    drop.
Speaks against it
    Gaps at other times; a steady supply; turning on without a gap.
Next test
    Measure the voltage at the controller's own plug, supply to ground, while the output turns on; then from battery
    minus to its ground pin.
""",
)


CONTROL_NEVER_CHANGES = Candidate(
    name="control-never-changes",
    scope="control",
    question="control",
    weight=8,
    chances={
        "control": {"moves": 0.01, "in part": 0.29, "stands": 0.7},
    },
    docstring="""control-never-changes: a control was operated, but its signal does not move.

What is wrong
    The switch or its wire is faulty, the signal is another one than was assumed (identifier, bit, scaling), or a
    second condition was not met.
Speaks for it
    Marks that say that the control was operated, and a signal that stands still all the while.
Speaks against it
    Any edge of the signal. Without marks nothing can be told.
Next test
    Operate it again with marks, and look whether its original function works and which other bits move.
""",
)
