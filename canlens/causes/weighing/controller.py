"""Controller: whether it is alive and stays so. Control: whether its signal moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import Case, Sign, Suspect
from canlens.causes.weighing.asked import counted
from canlens.causes.weighing.words import bus_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing.asked import Asked
    from canlens.supply_evidence import SupplyEvidence


MOST = 0.7
"""So many of the restarts must go with one output."""


def cases(asked: Asked) -> Iterator[Case]:
    """Ask whether the controller is alive and stays so."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    node = evidence.plan.controller.node or "the controller"
    signs = []
    if evidence.controller_seen is not None:
        value = "come" if evidence.controller_seen else "none"
        told = (
            f"messages of {node} come"
            if evidence.controller_seen
            else f"{evidence.frames} frames, none of them sent by {node}"
        )
        signs.append(Sign("controller", value, told))
    suspects: dict[str, tuple[Suspect, ...]] = {"controller-silent": (Suspect((node,)),), "supply-sag": ()}
    if evidence.supply is not None:
        more, suspects["supply-sag"] = _restarts(evidence.supply)
        signs += more
    if signs:
        output = suspects["supply-sag"][0].subject[0] if suspects["supply-sag"] else "the output"
        left = 1 - asked.wrong("traffic", ())
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
        value = "sags" if supply.is_sagging else "steady"
        signs.append(
            Sign("supply", value, f"its supply falls to {supply.lowest_v:.3g} V, usually {supply.usual_v:.3g} V")
        )
    total = sum(each.likelihood for each in ranked) or 1.0
    return signs, tuple(Suspect((each.output,), each.likelihood / total) for each in ranked)


def control_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every control that was operated by the marks whether its signal moved."""
    evidence = asked.evidence
    for name, own in evidence.controls.items():
        if not own.is_readable or own.marked is None or not len(own.marked):
            continue
        value = "moves" if len(own.exercises) else "stands"
        moved = counted(len(own.exercises), "edge")
        sign = Sign(
            "control", value, f"operated {counted(len(own.marked), 'time')} by the marks, its signal shows {moved}"
        )
        signal = evidence.plan.controls[name].condition.reference.path
        yield Case("control", (name,), (sign,), words=bus_words(evidence, control=name, message=signal))
