"""Recorded: what one recording holds of a plan's signals, with what the measures of several outputs share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import Track
from canlens.measures.tracks import Rhythm, states_of, track

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.plan import Condition, SignalReference
    from canlens.signals import Floats, Signal


@dataclass(frozen=True, eq=False)
class Recorded:
    """What one recording holds of a plan's signals.

    Attributes
    ----------
    signals
        Decoded, by path; absent where the message never came.
    end_s
        Time of the latest frame [s].
    controls
        Tracks of all controls, by name.
    rhythms
        Rhythms measured so far, by the column of times that they belong to.
    marked_s
        float64: when each marked slot began, those of rest among them [s]; empty where no rest was marked.
    """

    signals: Mapping[str, Signal]
    end_s: float
    controls: Mapping[str, Track] = field(default_factory=dict)
    rhythms: dict[int, Rhythm] = field(default_factory=dict)
    marked_s: Floats = field(default_factory=lambda: np.zeros(0))

    def rhythm(self, signal: Signal) -> Rhythm:
        """Return the rhythm of a signal's rows, measured once for all signals that share them."""
        key = id(signal.time_s)
        if key not in self.rhythms:
            self.rhythms[key] = Rhythm.of(signal.time_s)
        return self.rhythms[key]

    def signal(self, reference: SignalReference | None) -> Signal | None:
        """Return the decoded signal of a reference, None where the plan names none or it never came."""
        return self.signals.get(reference.path) if reference else None

    def track(self, condition: Condition) -> Track:
        """Return the state of a condition over time; without steps where its message never came."""
        signal = self.signal(condition.reference)
        if signal is None:
            return Track.empty(self.end_s)
        states = states_of(signal, condition)
        return track(
            signal.time_s,
            states,
            signal.line,
            end_s=self.end_s,
            rhythm=self.rhythm(signal),
            may_be_cyclic=condition.reference.message.cycle_time_s is not None,
        )
