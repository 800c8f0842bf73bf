"""Coincidence: the chance that something unrelated would agree with a rule as well as the output did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.nouns.tracks import Track
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints


SLOT_S = 2.5
"""Length of a slot: long enough for one operation of a control and its answer [s]."""
EARLY = 0.25
"""Marked slots begin this share of a slot before their mark (our choice)."""
FEWEST_SLOTS = 4
"""Fewer slots than this tell nothing of chance."""
LONGEST_S = 7 * 86_400.0
"""A recording that seems longer has a stamp that is wrong [s]; its slots would not fit into memory."""


def coincidence(
    rule: Track,
    output: Track,
    *,
    answer_s: float,
    awake: Track | None = None,
    tried: int = 1,
    marked_s: Floats | None = None,
) -> float | None:
    """Bound the chance that an unrelated output would have answered the rule as well as this one did.

    Two tests, neither of which takes single rows as evidence. The first divides the recording into equal slots and
    asks how likely as many slots with a rise of the rule would, drawn anew, meet slots in which the output rose; it
    is multiplied by the number of rules tried. The second moves the rule's rises round the recording and asks at
    which share of all shifts as many would be answered; it is not fooled by a rhythm that the operator shares with
    the bus, but cannot fall below a few answer times in the length of the recording. The larger one is returned.
    Slots in which the vehicle woke or fell asleep do not count, and those of either state are drawn by themselves.

    Where the person marked slots, those of rest among them, these slots are the ones that are drawn anew; and where the
    operated ones come at uneven distances there is no rhythm to share, so that the first test stands by itself.

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
    marked_s
        Ascending starts of the slots that were marked, at rest or not [s]; None or empty where no rest was marked.

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
    marked = None if marked_s is None else _marked_slots(rule_s, rise_s, marked_s, answer_s)
    if marked is not None:
        begin_s, slots = marked
    else:
        begin_s = np.asarray(start_s + SLOT_S * np.arange(int((end_s - start_s) / SLOT_S) + 1), np.float64)
        slots = _slots(rule_s, rise_s, begin_s, answer_s)
    by_slots = min(1.0, tried * _drawn_again(*slots, _strata(awake, begin_s)))
    if marked is not None and _is_uneven(slots[0]):
        return by_slots
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


def _slots(rule_s: Floats, rise_s: Floats, begin_s: Floats, answer_s: float) -> tuple[Bools, Bools]:
    """Return which slots hold a rise of the rule, and in which the output rose.

    An answer that falls into the next slot belongs to the slot of the edge that it answers. What comes before the
    first border or behind the last one is left out.
    """
    operated, answered = np.zeros(len(begin_s) + 1, bool), np.zeros(len(begin_s) + 1, bool)
    before = np.searchsorted(rule_s, rise_s, "right") - 1
    edge_s = np.where(before >= 0, rule_s[np.maximum(before, 0)], -np.inf)
    cue_s = np.where(rise_s - edge_s <= answer_s, edge_s, rise_s)
    operated[np.searchsorted(begin_s, rule_s, "right")] = True
    answered[np.searchsorted(begin_s, cue_s, "right")] = True
    return operated[1:-1], answered[1:-1]


def _marked_slots(
    rule_s: Floats, rise_s: Floats, marked_s: Floats, answer_s: float
) -> tuple[Floats, tuple[Bools, Bools]] | None:
    """Return the borders of the slots that were marked, and what happened in them; None where they do not tell.

    Slots begin a little before their mark, since a hand is sometimes faster than the note of it; the
    last one is as long as most. The marks must hold every exercise, and rest.
    """
    if len(marked_s) < FEWEST_SLOTS:
        return None
    usual_s = float(np.median(np.diff(marked_s)))
    begin_s = np.append(marked_s, marked_s[-1] + usual_s) - EARLY * usual_s
    operated, answered = _slots(rule_s, rise_s, begin_s, answer_s)
    inside = (rule_s >= begin_s[0]) & (rule_s < begin_s[-1])
    if operated.all() or not operated.any() or not inside.all():
        return None
    return begin_s, (operated, answered)


def _is_uneven(operated: Bools) -> bool:
    """Tell whether the operated slots come at different distances."""
    return len(np.unique(np.diff(np.flatnonzero(operated)))) > 1


def _strata(awake: Track | None, begin_s: Floats) -> Ints:
    """Return for each slot between two borders its state of the vehicle, -1 where that changed or was unknown."""
    if awake is None:
        return np.zeros(len(begin_s) - 1, np.int64)
    state, steps = awake.at(begin_s), np.searchsorted(awake.time_s, begin_s, "right")
    changed = (steps[1:] != steps[:-1]) | (state[1:] != state[:-1])
    return np.where(changed, -1, state[:-1]).astype(np.int64)


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
