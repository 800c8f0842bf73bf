"""Steps: the state of a control, a rule or an output over time, and single steps picked out as evidence."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens.plan.rule import OFF, ON, UNKNOWN, States

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints, Rows


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
    """

    time_s: Floats
    state: States
    line: Ints
    before_s: Floats
    end_s: float
    rows_s: Floats
    slack_s: float = 0.0

    @classmethod
    def empty(cls, end_s: float) -> Track:
        """Return a track of which nothing is known."""
        nothing = np.zeros(0)
        return cls(nothing, np.zeros(0, np.int8), np.zeros(0, np.int64), nothing, end_s, nothing)

    def at(self, time_s: Floats, *, side: Literal["left", "right"] = "right") -> States:
        """Return the state at each time; ``left`` gives the state just before it."""
        return self._known[np.searchsorted(self.time_s, time_s, side)]

    @cached_property
    def rises(self) -> Rows:
        """Steps from off to on. The first step is none, nor is a step out of the unknown."""
        return np.flatnonzero((self.state[1:] == ON) & (self.state[:-1] == OFF)) + 1

    @cached_property
    def falls(self) -> Rows:
        """Steps from on to off, by the same rule."""
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
class Steps:
    """Some steps of a track, picked out as evidence: lines of the log and times [s]."""

    line: Ints
    time_s: Floats

    def __len__(self) -> int:
        return len(self.line)

    @classmethod
    def none(cls) -> Steps:
        """Return no steps."""
        return cls(np.zeros(0, np.int64), np.zeros(0))

    @classmethod
    def of(cls, track: Track, index: Rows | Bools) -> Steps:
        """Pick the steps of a track at ``index``."""
        return cls(track.line[index], track.time_s[index])
