"""Slots: what a person marked, as windows, and in which of them each place went on and off with the control."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.observations import HAND_NOTED_S
from canlens.plan.nouns import REST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.discovering.places import TriedPlaces
    from canlens.plan import Mark
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


REACTION_S = 0.6
"""From a control's start to the frame that shows it, the wait for a beat apart: half a second, and a margin."""
JITTER_S = HAND_NOTED_S + 0.2
"""How far a mark may lie off, with a margin [s]."""
LEAST_JITTER_S = 0.3
"""Marks of a session with short slots are trusted to this [s] (a prompt that is ticked)."""
SHORTEST_S = 0.15
"""What is on for a shorter time was not operated by a person (our choice: the quickest tap takes about this)."""
ENCLOSES = 2
"""A mark that holds the starts of so many others is a state of the vehicle, as ignition."""


@dataclass(frozen=True, eq=False)
class Slots:
    """All marks of a session inside the recording, by time; T of them.

    Attributes
    ----------
    label
        A control, or ``rest``.
    time_s, until_s
        float64 (T,): as marked, brought to the log's seconds; ``until_s`` is nan where none was written.
    rise_s, fall_s
        float64 (T, 2): of an exercise the first and last time at which a place that follows goes on and off; of a rest
        slot the times of all it covers.
    held_s
        The shortest and the longest time for which a place may have been on in a rest slot [s].
    jitter_s
        How far marks are taken to lie off [s].
    """

    label: tuple[str, ...]
    time_s: Floats
    until_s: Floats
    rise_s: Floats
    fall_s: Floats
    held_s: tuple[float, float]
    jitter_s: float

    def __len__(self) -> int:
        return len(self.label)

    @cached_property
    def is_rest(self) -> Bools:
        """Bool (T,): whether nothing was touched."""
        return np.array([label == REST for label in self.label], bool)

    @cached_property
    def controls(self) -> tuple[str, ...]:
        """Names of the controls, in order of their first exercise."""
        return tuple(dict.fromkeys(label for label in self.label if label != REST))

    def of(self, control: str) -> Bools:
        """Bool (T,): the exercises of a control."""
        return np.array([label == control for label in self.label], bool)

    def compared(self, control: str) -> Bools:
        """Bool (T,): slots in which the control was left alone: rest, and other controls at other times."""
        own = self.of(control)
        meets = (self.rise_s[:, None, 0] <= self.rise_s[None, own, 1]) & (
            self.rise_s[None, own, 0] <= self.rise_s[:, None, 1]
        )
        meets &= (self.fall_s[:, None, 0] <= self.fall_s[None, own, 1]) & (
            self.fall_s[None, own, 0] <= self.fall_s[:, None, 1]
        )
        return ~own & ~self._is_state & (self.is_rest | ~meets.any(axis=1))

    def strata(self, control: str) -> Ints:
        """int64 (T,): number of the state of the vehicle in each slot, as told by marks that enclose others."""
        encloses = self._encloses
        kept = [row for row in np.flatnonzero(self._is_state) if self.label[row] != control]
        states = [
            frozenset(self.label[row] for row in kept if encloses[row, slot] or row == slot)
            for slot in range(len(self))
        ]
        known = {state: number for number, state in enumerate(dict.fromkeys(states))}
        return np.array([known[state] for state in states], np.int64)

    @cached_property
    def _is_state(self) -> Bools:
        """Bool (T,): marks that are a state of the vehicle rather than a slot."""
        return np.asarray(self._encloses.sum(axis=1) >= ENCLOSES, bool)

    @cached_property
    def _encloses(self) -> Bools:
        """Bool (T, T): whether the slot of the row holds the start of another."""
        inside = (self.time_s[None, :] >= self.time_s[:, None]) & (self.time_s[None, :] < self.until_s[:, None])
        np.fill_diagonal(inside, val=False)
        return np.asarray(inside & ~self.is_rest[:, None], bool)


def slots_of(marks: Sequence[Mark], *, offset_s: float, jitter_s: float = JITTER_S) -> Slots:
    """Turn marks into slots.

    Parameters
    ----------
    offset_s
        Added to their times [s].
    jitter_s
        How far marks may lie off at most [s].

    Returns
    -------
    Slots
        The windows of an exercise are as wide as marks by hand are uncertain, less where slots follow each other
        quickly. A rest slot covers all the time up to the windows of its neighbours, so that anything that looks
        like an operation in it counts against a place.
    """
    ordered = sorted(marks, key=lambda mark: mark.time_s)
    time_s = np.array([mark.time_s for mark in ordered], np.float64) + offset_s
    until_s = np.array([np.nan if mark.until_s is None else mark.until_s for mark in ordered]) + offset_s
    is_rest = np.array([mark.label == REST for mark in ordered], bool)
    spacing_s = _spacing(time_s)
    jitter_s = float(np.clip((spacing_s - REACTION_S) / 2, LEAST_JITTER_S, jitter_s))
    following_s = np.append(time_s[1:], time_s[-1:] + spacing_s)
    rise_s = np.stack([time_s - jitter_s, time_s + jitter_s + REACTION_S], axis=1)
    ends_s = np.where(np.isnan(until_s), time_s, until_s)
    last_s = np.where(np.isnan(until_s), np.maximum(following_s, time_s + spacing_s), until_s)
    fall_s = np.stack([ends_s - jitter_s, last_s + jitter_s + REACTION_S], axis=1)
    rise_s[is_rest] = _rest_cells(rise_s, is_rest, following_s, until_s, spacing_s)
    fall_s[is_rest] = (-np.inf, np.inf)
    return Slots(
        label=tuple(mark.label for mark in ordered),
        time_s=time_s,
        until_s=until_s,
        rise_s=rise_s,
        fall_s=fall_s,
        held_s=_held(time_s, until_s, is_rest, jitter_s, spacing_s),
        jitter_s=jitter_s,
    )


def _spacing(time_s: Floats) -> float:
    """Return the usual time from one slot to the next [s]."""
    apart = np.diff(time_s)
    apart = apart[apart > 0]
    return float(np.median(apart)) if len(apart) else 2 * JITTER_S + REACTION_S


def _held(time_s: Floats, until_s: Floats, is_rest: Bools, jitter_s: float, spacing_s: float) -> tuple[float, float]:
    """Return the shortest and longest time for which a control may have been held; states of the vehicle apart."""
    held_s = (until_s - time_s)[~is_rest]
    held_s = held_s[held_s <= 2 * spacing_s] if (held_s <= 2 * spacing_s).any() else held_s
    if not len(held_s) or np.isnan(held_s).any():
        return SHORTEST_S, 2 * spacing_s
    return max(SHORTEST_S, float(held_s.min()) - 2 * jitter_s), float(held_s.max()) + 2 * jitter_s + REACTION_S


def _rest_cells(rise_s: Floats, is_rest: Bools, following_s: Floats, until_s: Floats, spacing_s: float) -> Floats:
    """Return for each rest slot the times it covers, float64 (r, 2), clear of its neighbours' windows."""
    time_s = (rise_s[:, 0] + rise_s[:, 1] - REACTION_S) / 2
    ends_s = np.minimum(following_s, time_s + 2 * spacing_s)
    ends_s = np.where(np.isnan(until_s), ends_s, np.maximum(until_s, time_s))
    cells = []
    for slot in np.flatnonzero(is_rest).tolist():
        begin_s, end_s = float(time_s[slot]), float(ends_s[slot])
        other = rise_s[~is_rest]
        before, after = other[other[:, 0] < begin_s], other[other[:, 0] >= begin_s]
        begin_s = max(begin_s, float(before[:, 1].max())) if len(before) else begin_s
        end_s = min(end_s, float(after[:, 0].min())) if len(after) else end_s
        cells.append((begin_s, max(end_s, begin_s)))
    return np.array(cells, np.float64).reshape(-1, 2)


# Matching: in which slots each place went on and off as a control was operated.


def matched(tried: TriedPlaces, slots: Slots, *, shift_s: float = 0.0) -> Bools:
    """Tell in which slots each place had a pulse.

    Parameters
    ----------
    shift_s
        Added to the times of all slots [s].

    Returns
    -------
    bool (F, T)
        In an exercise: whether the place went on near its start, and off again near its end. In a rest slot: whether
        it went on anywhere in it, for a time for which a control may have been held, and no exercise explains it.
    """
    out = np.zeros((len(tried.places), len(slots)), bool)
    pulse, slot = pairs(tried, slots, shift_s=shift_s)
    out[tried.pulses.place[pulse], slot] = True
    return out


def pairs(tried: TriedPlaces, slots: Slots, *, shift_s: float = 0.0) -> tuple[Ints, Ints]:
    """Return which pulse fits which slot, as two int64 arrays of equal length; see :func:`matched`."""
    pulses = tried.pulses
    if not len(pulses) or not len(slots):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    slack_s = float(tried.slack_s.max())
    first = np.searchsorted(pulses.rise_s, slots.rise_s[:, 0] + shift_s, "left")
    last = np.searchsorted(pulses.rise_s, slots.rise_s[:, 1] + shift_s + slack_s, "right")
    count = np.maximum(last - first, 0)
    slot = np.repeat(np.arange(len(slots)), count)
    pulse = np.arange(len(slot)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    rise_s, fall_s = pulses.rise_s[pulse] - shift_s, pulses.fall_s[pulse] - shift_s
    own_s = tried.slack_s[pulses.place[pulse]]
    is_rest = slots.is_rest[slot]
    late_s = np.where(is_rest, 0.0, own_s)
    fits = rise_s <= slots.rise_s[slot, 1] + late_s
    fits &= (fall_s >= slots.fall_s[slot, 0]) & (fall_s <= slots.fall_s[slot, 1] + late_s)
    least_s, most_s = slots.held_s
    held_s = fall_s - rise_s
    fits &= ~is_rest | ((held_s >= least_s - own_s) & (held_s <= most_s + own_s))
    explained = np.zeros(len(pulses), bool)
    explained[pulse[fits & ~is_rest]] = True
    fits &= ~is_rest | ~explained[pulse]
    return pulse[fits], slot[fits]
