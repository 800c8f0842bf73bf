"""Hindrances: a signal that is not in the plan and has one value wherever an exercise failed, and others where not."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.outputs import Hindrance
from canlens.signals import decode_signals

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.database import Message, SignalDefinition
    from canlens.nouns.outputs import OutputEvidence
    from canlens.plan import Plan
    from canlens.signals import Floats, Signal
    from canlens.trace import Trace

FEWEST = 2
"""So many exercises at least must have failed, and so many have been answered."""
MOST_BITS = 3
"""Signals with more bits than this are measures and counters, not states (our choice)."""
BY_CHANCE = 0.2
"""What any of the signals tried would show by chance with more than this probability is not told (our choice; it is a
weak answer, which a person must try)."""


def with_hindrances(plan: Plan, trace: Trace, outputs: Mapping[str, OutputEvidence]) -> dict[str, OutputEvidence]:
    """Return the outputs, those that answered only some of their exercises with the signal that tells which.

    Parameters
    ----------
    plan
        Its databases name the signals; those that the plan uses are left out.
    trace
        Frames of the channel that is judged.
    outputs
        As measured.
    """
    mixed = [
        name
        for name, own in outputs.items()
        if len(own.answers.unanswered) >= FEWEST and len(own.answers.answered) >= FEWEST
    ]
    if not mixed:
        return dict(outputs)
    states = [each for each in decode_signals(trace, list(_states(plan))).values() if _moves(each)]
    return {
        name: replace(own, hindrance=_hindrance(own, states)) if name in mixed else own for name, own in outputs.items()
    }


def _states(plan: Plan) -> Iterator[tuple[Message, SignalDefinition]]:
    """Yield the signals of a few bits that neither the plan uses nor the controller sends."""
    used = {each.condition.reference.path for each in plan.controls.values()}
    for message in plan.database.messages:
        if plan.controller.node in message.senders:
            continue
        for definition in message.signals:
            if definition.length <= MOST_BITS and f"{message.name}.{definition.name}" not in used:
                yield message, definition


def _moves(signal: Signal) -> bool:
    return len(signal) > 0 and bool((signal.value != signal.value[0]).any())


def _hindrance(own: OutputEvidence, states: list[Signal]) -> Hindrance | None:
    """Return the signal whose value tells the failed exercises from the answered ones; None where chance may do so."""
    failed_s, answered_s = own.answers.unanswered.time_s, own.answers.answered.time_s
    number = math.comb(len(failed_s) + len(answered_s), len(failed_s))
    if len(states) / number > BY_CHANCE:
        return None
    for each in states:
        failed, answered = _values(each, failed_s), _values(each, answered_s)
        if len(np.unique(failed)) == 1 and not np.isnan(failed).any() and not (answered == failed[0]).any():
            return Hindrance(each.path, float(failed[0]), len(failed))
    return None


def _values(signal: Signal, time_s: Floats) -> Floats:
    """Return the value at each time; nan before the first row."""
    at = np.searchsorted(signal.time_s, time_s, "right")
    found: Floats = np.append(np.nan, signal.value)[at]
    return found
