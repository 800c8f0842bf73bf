"""Drawn slots: which control is operated in which slot, drawn at random before anything is done."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.plan.nouns import REST

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.prompting.timeline import Timeline
    from canlens.rehearsal.draws import Draws

HOLD_STEPS_S = (0.0, 0.5, 1.2)
"""Holds are longer than the shortest one by these, in turn: what always lasts as long could be a pulse of the bus."""


def draw_labels(exercises: Mapping[str, int], rests: int, draws: Draws) -> list[str]:
    """Draw the order of all slots: each control as often as wished, the others left alone; any order is as likely."""
    labels = [name for name, count in exercises.items() for _ in range(count)]
    return draws.shuffled([*labels, *([REST] * rests)])


def add_slots(timeline: Timeline, labels: Sequence[str], shortest_s: Mapping[str, float], *, length_s: float) -> None:
    """Add drawn slots of equal length.

    Parameters
    ----------
    timeline
        Grows.
    labels
        A control, or ``rest``, for each slot.
    shortest_s
        Control -> its shortest hold [s].
    length_s
        Of every slot; long enough for the longest hold.
    """
    more = {name: _holds(labels.count(name), timeline.draws) for name in shortest_s}
    for label in labels:
        hold_s = shortest_s[label] + more[label].pop() if label != REST else 0.0
        timeline.slot(label, hold_s=hold_s, length_s=length_s)


def _holds(count: int, draws: Draws) -> list[float]:
    """Return so many additions to the shortest hold, each of them about equally often, in a drawn order."""
    return draws.shuffled([HOLD_STEPS_S[number % len(HOLD_STEPS_S)] for number in range(count)])
