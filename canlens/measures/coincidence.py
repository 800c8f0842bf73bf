"""Coincidence: the chance that something unrelated would agree with a rule as well as the output did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.steps import Track
    from canlens.trace import Bools, Ints

SLOT_S = 2.5
"""Length of a slot: long enough for one operation of a control and its answer [s]."""
FEWEST_SLOTS = 4
"""Fewer slots than this tell nothing of chance."""
LONGEST_S = 7 * 86_400.0
"""A recording that seems longer has a stamp that is wrong [s]; its slots would not fit into memory."""


def coincidence(
    rule: Track, output: Track, *, answer_s: float, awake: Track | None = None, tried: int = 1
) -> float | None:
    """Bound the chance that an unrelated output would have answered the rule as well as this one did.

    Two tests, neither of which takes single rows as evidence. The first divides the recording into equal slots and
    asks how likely as many slots with a rise of the rule would, drawn anew, meet slots in which the output rose; it
    is multiplied by the number of rules tried. The second moves the rule's rises round the recording and asks at
    which share of all shifts as many would be answered; it is not fooled by a rhythm that the operator shares with
    the bus, but cannot fall below a few answer times in the length of the recording. The larger one is returned.
    Slots in which the vehicle woke or fell asleep do not count, and those of either state are drawn by themselves.

    Parameters
    ----------
    rule, output
        Their states over time.
    answer_s
        Within this time a rise of the output answers one of the rule [s].
    awake
        State of the control with which the vehicle wakes; None where none is named, or the rule itself asks for it.
    tried
        How many rules could have been named as well.

    Returns
    -------
    float or None
        0 to 1; None for recordings too short to tell, or so long that a stamp must be wrong.

    References
    ----------
    Fisher's exact test of a table with fixed margins (hypergeometric); K. D. Harris, "A Shift Test for Independence
    in Generic Time Series", arXiv:2012.06862.
    """
    start_s = max((each.time_s[0] for each in (rule, output) if len(each.time_s)), default=0.0)
    end_s = min(rule.end_s, output.end_s)
    rule_s, rise_s = rule.time_s[rule.rises], output.time_s[output.rises]
    if not FEWEST_SLOTS * SLOT_S <= end_s - start_s <= LONGEST_S or not len(rule_s):
        return None
    slots = _slots(rule_s, rise_s, start_s, end_s, answer_s)
    stratum = _strata(awake, start_s, len(slots[0]), SLOT_S)
    by_slots = min(1.0, tried * _drawn_again(*slots, stratum))
    return max(by_slots, _shifted(rule_s, rise_s, start_s, end_s, answer_s, awake))


def hypergeometric_tail(slots: int, answered: int, operated: int, hits: int) -> float:
    """Return P(at least ``hits`` of the ``operated`` slots are among the ``answered`` ones), drawn at random.

    Examples
    --------
    >>> round(1 / hypergeometric_tail(20, 4, 4, 4))
    4845
    """
    return min(1.0, float(hypergeometric_masses(slots, answered, operated)[hits:].sum()))


def hypergeometric_masses(slots: int, answered: int, operated: int) -> Floats:
    """Return P(h of the operated slots are answered) for h = 0 … operated."""
    counts = np.arange(operated + 1)
    logs = np.concatenate(([0.0, 0.0], np.cumsum(np.log(np.arange(2, slots + 1)))))  # of the factorials

    def ways(total: int, chosen: Ints) -> Floats:
        possible = (chosen >= 0) & (chosen <= total)
        inside = np.where(possible, chosen, 0)
        return np.where(possible, logs[total] - logs[inside] - logs[total - inside], -np.inf)

    chosen = ways(answered, counts) + ways(slots - answered, operated - counts)
    return np.asarray(np.exp(chosen - ways(slots, np.array([operated]))), np.float64)


def _slots(rule_s: Floats, rise_s: Floats, start_s: float, end_s: float, answer_s: float) -> tuple[Bools, Bools]:
    """Return which slots hold a rise of the rule, and in which the output rose.

    An answer that falls into the next slot belongs to the slot of the edge that it answers.
    """
    count = int((end_s - start_s) / SLOT_S)
    operated, answered = np.zeros(count + 1, bool), np.zeros(count + 1, bool)
    before = np.searchsorted(rule_s, rise_s, "right") - 1
    edge_s = np.where(before >= 0, rule_s[np.maximum(before, 0)], -np.inf)
    cue_s = np.where(rise_s - edge_s <= answer_s, edge_s, rise_s)
    operated[np.clip((rule_s - start_s) / SLOT_S, 0, count).astype(int)] = True
    answered[np.clip((cue_s - start_s) / SLOT_S, 0, count).astype(int)] = True
    return operated[:count], answered[:count]


def _strata(awake: Track | None, start_s: float, count: int, width_s: float) -> Ints:
    """Return for each slot its state of the vehicle, -1 where that changed or was unknown."""
    if awake is None:
        return np.zeros(count, np.int64)
    begin_s = np.asarray(start_s + width_s * np.arange(count), np.float64)
    first, last = awake.at(begin_s), awake.at(begin_s + width_s)
    changed = np.searchsorted(awake.time_s, begin_s, "right") != np.searchsorted(
        awake.time_s, begin_s + width_s, "right"
    )
    return np.where(changed | (first != last), -1, first).astype(np.int64)


def _drawn_again(operated: Bools, answered: Bools, stratum: Ints) -> float:
    """Return the exact chance of as many hits, slots drawn anew within each stratum."""
    masses, hits = np.ones(1), 0
    for state in np.unique(stratum[stratum >= 0]):
        own = stratum == state
        masses = np.convolve(
            masses, hypergeometric_masses(int(own.sum()), int(answered[own].sum()), int(operated[own].sum()))
        )
        hits += int((operated & answered & own).sum())
    return float(min(1.0, masses[hits:].sum()))


def _shifted(
    rule_s: Floats, rise_s: Floats, start_s: float, end_s: float, answer_s: float, awake: Track | None
) -> float:
    """Return the share of circular shifts of the rule's rises at which at least as many are answered.

    They are moved only inside the stretch of one state of the vehicle that holds most of them.
    """
    start_s, end_s = _longest_stretch(rule_s, start_s, end_s, awake)
    length_s = end_s - start_s
    rule_s = rule_s[(rule_s >= start_s) & (rule_s < end_s)] - start_s
    rise_s = rise_s[(rise_s >= start_s) & (rise_s < end_s)] - start_s
    if not len(rule_s) or length_s <= answer_s:
        return 1.0
    bins = max(1, int(length_s / (answer_s / 2)))
    cue, met = np.zeros(bins), np.zeros(bins)
    cue[np.minimum(rule_s / length_s * bins, bins - 1).astype(int)] = 1.0
    last = np.minimum(rise_s / length_s * bins, bins - 1).astype(int)
    for back in range(3):
        met[(last - back) % bins] = 1.0
    answered = np.fft.irfft(np.conj(np.fft.rfft(cue)) * np.fft.rfft(met), bins)
    return float(np.mean(answered > answered[0] - 0.5))


def _longest_stretch(rule_s: Floats, start_s: float, end_s: float, awake: Track | None) -> tuple[float, float]:
    """Return the stretch of one state of the vehicle with most rises of the rule."""
    if awake is None:
        return start_s, end_s
    edge_s = awake.time_s[1:][np.abs(np.diff(awake.state)) > 0] if len(awake.state) else np.zeros(0)
    edge_s = np.concatenate(([start_s], edge_s[(edge_s > start_s) & (edge_s < end_s)], [end_s]))
    count = np.diff(np.searchsorted(rule_s, edge_s))
    best = int(np.argmax(count))
    return float(edge_s[best]), float(edge_s[best + 1])
