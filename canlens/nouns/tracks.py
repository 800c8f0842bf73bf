"""Tracks: states over time, single steps picked out as evidence, and the rules that explain an output."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.plan.rule import OFF, ON, UNKNOWN, States

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from canlens.plan import Observation, Rule
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows


# Steps: the state of a control, a rule or an output over time, and single steps picked out as evidence.


ROUNDING_S = 1e-9
"""Times closer than the finest stamp [s] are equal, so that rounding decides nothing exactly at a limit."""


@dataclass(frozen=True, eq=False)
class Track:
    """The state of a control, a rule or an output over time, as steps.

    Attributes
    ----------
    time_s
        float64 (k,): each state holds from its time up to the next one's [s], ascending.
    state
        int8 (k,): 1 on, 0 off, -1 unknown; neighbours differ. Before the first step nothing is known.
    line
        int64 (k,): line of the log in which the step was seen.
    before_s
        float64 (k,): time of the row before the step [s]: what the step shows happened after it.
    end_s
        End of what is known [s].
    rows_s
        float64 (r,): times of all rows that carry the state [s]; empty for a rule over several controls.
    slack_s
        How long a change may stay unseen because rows come at intervals [s]; 0 where changes are sent at once.
    since_s
        float64 (k,): the earliest time at which each step can have happened [s]: that of the row before, where rows are
        repeated; its own where it is sent at once.
    """

    time_s: Floats
    state: States
    line: Ints
    before_s: Floats
    end_s: float
    rows_s: Floats
    slack_s: float
    since_s: Floats

    def led(self, lead_s: float) -> Track:
        """Return the track with steps that may have happened so much earlier than their rows allow [s]."""
        return replace(self, since_s=self.since_s - lead_s) if lead_s else self

    @classmethod
    def empty(cls, end_s: float) -> Track:
        """Return a track of which nothing is known."""
        nothing = np.zeros(0)
        return cls(nothing, np.zeros(0, np.int8), np.zeros(0, np.int64), nothing, end_s, nothing, 0.0, nothing)

    def at(self, time_s: Floats, *, side: Literal["left", "right"] = "right") -> States:
        """Return the state at each time; ``left`` gives the state just before it."""
        return self._known[np.searchsorted(self.time_s, time_s, side)]

    def shows(self, *states: int) -> bool:
        """Tell whether each of some states was seen."""
        return all(bool((self.state == state).any()) for state in states)

    @cached_property
    def rises(self) -> Rows:
        """Places from off to on. The first step is none, nor is a step out of the unknown."""
        return np.flatnonzero((self.state[1:] == ON) & (self.state[:-1] == OFF)) + 1

    @cached_property
    def falls(self) -> Rows:
        """Places from on to off, by the same rule."""
        return np.flatnonzero((self.state[1:] == OFF) & (self.state[:-1] == ON)) + 1

    def ever(self, state: int, start_s: Floats, stop_s: Floats) -> Bools:
        """Return for each closed span [start, stop] whether the state held at any time in it."""
        seen = self._counts[state]
        first = np.searchsorted(self.time_s, start_s, "right")
        last = np.searchsorted(self.time_s, stop_s, "right")
        inside = seen[np.maximum(last, first)] - seen[first]
        return np.asarray((inside > 0) | (self._known[first] == state), bool)

    @cached_property
    def _known(self) -> States:
        """int8 (k + 1,): the state before the first step, which is unknown, and after each."""
        return np.concatenate(([np.int8(UNKNOWN)], self.state))

    @cached_property
    def _counts(self) -> dict[int, Ints]:
        """int64 (k + 1,) for each state: how many steps up to there led into it."""
        return {state: np.append(0, np.cumsum(self.state == state)) for state in (OFF, ON, UNKNOWN)}


@dataclass(frozen=True, eq=False)
class Places:
    """Some frames or steps of a track, picked out as evidence: lines of the log and times [s]."""

    line: Ints
    time_s: Floats

    def __len__(self) -> int:
        return len(self.line)

    @classmethod
    def none(cls) -> Places:
        """Return no places."""
        return cls(np.zeros(0, np.int64), np.zeros(0))

    @classmethod
    def of(cls, track: Track, index: Rows | Bools) -> Places:
        """Pick the steps of a track at ``index``."""
        return cls(track.line[index], track.time_s[index])

    @classmethod
    def joined(cls, parts: Sequence[Places]) -> Places:
        """Put steps together, one part after the other."""
        return cls(
            np.concatenate([np.zeros(0, np.int64), *(each.line for each in parts)]),
            np.concatenate([np.zeros(0), *(each.time_s for each in parts)]),
        )

    def where(self, mask: Bools) -> Places:
        """Return some of the steps."""
        return Places(self.line[mask], self.time_s[mask])


# Rule evidence: what one output was seen doing in each setting of the controls, and the rules that explain it.


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
    lead_s
        How much earlier than the bus tells of its controls the output may act [s]: it also hangs on their wires.
    asks
        Turns the state of a rule into what the keys of the output make of it; None where they leave it as it is.
    is_latched
        Whether each operation is meant to toggle the output.
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
    lead_s: float = 0.0
    asks: Callable[[Track], Track] | None = None
    is_latched: bool = False

    def asked(self, rule: Track) -> Track:
        """Return what a rule with this state asks of the output."""
        led = rule.led(self.lead_s)
        return led if self.asks is None else self.asks(led)


FEWEST_EDGES = 2
"""One coincidence is no rule: a rule fits when it explains at least this many exercises."""


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
    untried
        Controls of the planned rule, each with the state (:data:`ON` or :data:`OFF`) in which it was never seen to
        matter: the rule with the control held in the other one explains all that was seen.
    """

    rules: tuple[Rule, ...] = ()
    explained: int = 0
    exercises: int = 0
    latency_s: Floats = field(default_factory=lambda: np.zeros(0))
    run_on_s: float | None = None
    cut_off_s: float | None = None
    is_latching: bool = False
    coincidence: float | None = None
    untested: tuple[str, ...] = ()
    untried: tuple[tuple[str, int], ...] = ()
