"""Supply: a feed so weak that the controller restarts when an output turns on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.rehearsal.timeline import Timeline, from_spans

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.rehearsal.draws import Draws
    from canlens.rehearsal.habits import Spans

BOOT_S = (0.25, 1.2)
"""How long the controller takes to start; our choice."""
COME_BACK_S = 0.06
"""How soon after that it switches outputs on again."""
MOST_RESTARTS = 12
"""In a row: then the supply has had enough time to recover, or the person gives up."""


@dataclass(frozen=True)
class Sag:
    """A sagging supply.

    Attributes
    ----------
    output
        The one that pulls it down.
    drop_v
        By how much, while it is on [V].
    after_s
        How long the controller lasts after the output came on [s].
    chance
        That it does not last.
    """

    output: str
    drop_v: float
    after_s: float
    chance: float


def draw_restarts(sag: Sag, lit: Sequence[tuple[float, float]], draws: Draws) -> Spans:
    """Draw when the controller is dead: after each turn-on of the output, and again when it comes back.

    Parameters
    ----------
    sag
        The supply.
    lit
        When the output would be on with a good supply: spans [s].
    draws
        Random numbers.
    """
    dead: list[tuple[float, float]] = []
    long_enough = [place for place, (start_s, stop_s) in enumerate(lit) if start_s + 1.3 * sag.after_s < stop_s]
    for place, (start_s, stop_s) in enumerate(lit):
        now, tries = start_s, 0
        is_last_chance = not dead and long_enough[-1:] == [place]
        chance = 1.0 if is_last_chance and sag.chance else sag.chance  # a fault that never struck would be none
        while now + sag.after_s < stop_s and tries < MOST_RESTARTS and draws.uniform(0.0, 1.0) < chance:
            died_s = now + sag.after_s * draws.uniform(0.7, 1.3)
            back_s = died_s + draws.uniform(*BOOT_S)
            if dead and died_s <= dead[-1][1]:
                break
            dead.append((died_s, back_s))
            now, tries, chance = back_s + COME_BACK_S, tries + 1, sag.chance
    return tuple(dead)


def alive(dead: Spans) -> Timeline:
    """Return 0 while the controller is dead and 1 elsewhere."""
    off = from_spans(dead)
    return Timeline(off.time_s, 1.0 - off.value, 1.0)
