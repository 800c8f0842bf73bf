"""Rule evidence: what one output was seen doing in each setting of the controls, and the rules that explain it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.plan import Observation, Rule
    from canlens.signals import Floats
    from canlens.steps import Track


@dataclass(frozen=True, eq=False)
class Scene:
    """One recording, as far as it tells what an output follows.

    Attributes
    ----------
    own, planned
        The output's own rule, and all rules of the plan.
    controls
        Tracks of all controls of the plan, by name, in its order.
    output
        State of the output, flashing bridged; None where only eye or ear saw it.
    within_s
        An answer is due within this time [s].
    stays_s
        How long the output may stay on after its rule, tolerance included [s].
    is_cut_off
        Whether the plan lets the output go off although its rule lasts.
    awake_while
        The control with which the vehicle wakes, if the plan names one: chance is judged inside one of its states.
    observed
        What eye or ear saw of the output.
    offset_s
        To be added to the times of observations [s].
    marked_s
        float64: when each marked slot began, those of rest among them [s]; empty where no rest was marked.
    """

    own: Rule
    planned: tuple[Rule, ...]
    controls: Mapping[str, Track]
    output: Track | None
    within_s: float
    stays_s: float = 0.0
    is_cut_off: bool = False
    awake_while: str | None = None
    observed: tuple[Observation, ...] = ()
    offset_s: float = 0.0
    marked_s: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, eq=False)
class SeenRules:
    """The rules that explain what an output did.

    Attributes
    ----------
    rules
        Those that explain it equally well, the planned one first if it is among them, then the simplest; empty where
        none does.
    explained, exercises
        Of the first rule: how many of its exercises the output answered, and how many there are, with what the output
        did unasked.
    latency_s
        float64: control edge to answer [s], of the explained ones; empty where only eye or ear saw it.
    run_on_s, cut_off_s
        How long the output stayed on after the rule, and how long it was on before it went off although the rule
        lasted [s]; None where it did neither, or not always alike.
    is_latching
        Whether the control turns the output on by one exercise and off by the next.
    coincidence
        Chance that something unrelated would agree with the first rule as well; None where it cannot be told.
    untested
        Settings of the controls of plan and first rule in which the output was never seen settled, in words.
    """

    rules: tuple[str, ...] = ()
    explained: int = 0
    exercises: int = 0
    latency_s: Floats = field(default_factory=lambda: np.zeros(0))
    run_on_s: float | None = None
    cut_off_s: float | None = None
    is_latching: bool = False
    coincidence: float | None = None
    untested: tuple[str, ...] = ()
