"""Habits: how a node sends – its clock, its jitter, when it is awake, when it has no contact, when it restarts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


Spans = tuple[tuple[float, float], ...]

JITTER_S = 0.0003
"""Largest deviation of a single frame from its node's beat, where nothing else is said."""
DRIFT = 1.5e-4
"""Largest relative error of a node's clock: a quartz with its ageing and temperature."""


@dataclass(frozen=True)
class Habit:
    """How one message is sent.

    Attributes
    ----------
    clock
        Relative error of its node's clock; None to draw one for the message alone.
    jitter_s
        Largest deviation of a frame from its beat [s].
    absent
        Spans in which its node has no contact: what it sends then reaches nobody.
    restarts
        Spans in which its node is dead; counters start anew after each.
    awake
        Further spans in which it is sent.
    is_first
        Whether it is the first that speaks in those.
    """

    clock: float | None = None
    jitter_s: float = JITTER_S
    absent: Spans = ()
    restarts: Spans = ()
    awake: Spans = ()
    is_first: bool = False

    def is_heard(self, time_s: Floats) -> Bools:
        """Tell which frames, by the time they are ready [s], reach the bus."""
        heard = np.ones(len(time_s), np.bool_)
        for start_s, end_s in (*self.absent, *self.restarts):
            heard &= (time_s < start_s) | (time_s >= end_s)
        return heard

    def age(self, time_s: Floats) -> Ints:
        """Count frames since the node's last restart; -1 for all before the first one."""
        ends = np.array([end_s for _, end_s in self.restarts])
        started = np.searchsorted(ends, time_s, side="right")
        first = np.searchsorted(started, started, side="left")
        since = np.arange(len(time_s)) - first
        return np.where(started > 0, since, -1)


USUAL = Habit()
"""What a node does of which nothing else is known."""
