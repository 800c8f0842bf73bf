"""Matching: in which slots each place went on and off as a control was operated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.measures.discovering.places import Tried
    from canlens.measures.discovering.slots import Slots
    from canlens.trace import Bools, Ints


def matched(tried: Tried, slots: Slots, *, shift_s: float = 0.0) -> Bools:
    """Tell in which slots each place had a pulse.

    Parameters
    ----------
    tried
        F places with their pulses.
    slots
        T slots.
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


def pairs(tried: Tried, slots: Slots, *, shift_s: float = 0.0) -> tuple[Ints, Ints]:
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
