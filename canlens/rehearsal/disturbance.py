"""Disturbance: what breaks frames on a bus → which attempts to send which frame break, and at which bit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from canlens.rehearsal.edges import count_edges, draw_edges

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.rehearsal.draws import Draws
    from canlens.signals import Floats
    from canlens.trace import Ints, Rows, Trace

Spans = tuple[tuple[float, float], ...]

EDGES_OF_A_FRAME = 24
"""Recessive-to-dominant edges of a usual frame; turns a share of broken frames into a chance per edge."""
MOST_EDGES = 70
"""No classical frame has more: half of 132 bits, and some."""
MOST_TRIES = 40
"""Attempts in a row that are drawn to break at most; 32 send a node off the bus (Bosch CAN 2.0, 8)."""
TAIL_BITS = 10
"""CRC delimiter, acknowledge field and end of frame: random errors strike before them."""
SEEN_LATER_BITS = (1, 6)
"""An error at one node is seen by the others once its six dominant bits break the rule of stuffing."""


@dataclass(frozen=True)
class Window:
    """A time in which each attempt to send breaks with a chance."""

    start_s: float
    end_s: float
    chance: float


@dataclass(frozen=True)
class Disturbance:
    """What breaks frames.

    Attributes
    ----------
    sporadic
        Chance of any attempt to break.
    edges
        Share of broken attempts of a usual frame; one with more recessive-to-dominant edges breaks more often.
    senders
        Node -> chance of each of its own attempts to break.
    receivers
        Node -> chance of each attempt of all other nodes to break.
    outputs
        Output -> chance of any attempt to break while the output is on.
    gaps
        Node -> spans in which it has no contact; frames break at their ends.
    windows
        Further times in which attempts break, whoever sends.
    """

    sporadic: float = 0.0
    edges: float = 0.0
    senders: Mapping[str, float] = field(default_factory=dict)
    receivers: Mapping[str, float] = field(default_factory=dict)
    outputs: Mapping[str, float] = field(default_factory=dict)
    gaps: Mapping[str, Spans] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()


QUIET = Disturbance()
"""Nothing at all."""


@dataclass(frozen=True, eq=False)
class Breaks:
    """Which attempts break.

    Attributes
    ----------
    cuts
        Row of a frame -> the bits that are sent of each of its attempts before it breaks.
    torn
        Rows of frames that are not tried again: their sender lost contact.
    """

    cuts: dict[int, list[int]]
    torn: frozenset[int] = frozenset()


def draw_breaks(
    disturbance: Disturbance, waiting: Trace, bits: Ints, ready_s: Floats, senders: Sequence[str], draws: Draws
) -> Breaks:
    """Draw the attempts that break.

    Parameters
    ----------
    disturbance
        Without its outputs and windows, whose chances hang on the time of each attempt.
    waiting
        The frames.
    bits
        int64 (n,): their length on the wire.
    ready_s
        float64 (n,): when each is ready.
    senders
        Node of each frame.
    draws
        Random numbers.
    """
    names = np.array(senders)
    cuts: dict[int, list[int]] = {}

    def strike(chance: Floats) -> None:
        for row, tries in _struck(chance, draws):
            cuts.setdefault(row, []).extend(_anywhere(int(bits[row]), draws) for _ in range(tries))

    if disturbance.sporadic:
        strike(np.full(len(bits), disturbance.sporadic))
    for node, chance in disturbance.senders.items():
        strike(np.where(names == node, chance, 0.0))
    for node, chance in disturbance.receivers.items():
        strike(np.where(names == node, 0.0, chance))
    if disturbance.edges:
        _strike_edges(disturbance.edges, waiting, cuts, draws)
    torn = set()
    for node, spans in disturbance.gaps.items():
        own = np.flatnonzero(names == node)
        for row in _last_before(ready_s, own, [start for start, _ in spans]):
            cuts[row] = [_anywhere(int(bits[row]), draws)]
            torn.add(row)
    return Breaks(cuts, frozenset(torn))


def _struck(chance: Floats, draws: Draws) -> list[tuple[int, int]]:
    """Draw how many attempts in a row break; only frames that break at all are listed."""
    struck = np.flatnonzero(draws.uniforms(0.0, 1.0, len(chance)) < chance)
    return [(int(row), _tries(float(chance[row]), draws)) for row in struck]


def _tries(chance: float, draws: Draws) -> int:
    """Return 1, and one more for each retry that breaks, too."""
    tries = 1
    while tries < MOST_TRIES and draws.uniform(0.0, 1.0) < chance:
        tries += 1
    return tries


def _strike_edges(share: float, waiting: Trace, cuts: dict[int, list[int]], draws: Draws) -> None:
    """Break frames at their edges: first with the chance of the most edges, then thinned to their own."""
    per_edge = share / EDGES_OF_A_FRAME
    most = min(1.0, per_edge * MOST_EDGES)
    rows: Rows = np.flatnonzero(draws.uniforms(0.0, 1.0, len(waiting)) < most)
    while len(rows):
        chance = np.minimum(1.0, per_edge * count_edges(waiting, rows)) / most
        rows = rows[draws.uniforms(0.0, 1.0, len(rows)) < chance]
        seen_later = draws.uniforms(*SEEN_LATER_BITS, len(rows)).astype(np.int64)
        for row, place in zip(rows.tolist(), draw_edges(waiting, rows, draws) + seen_later, strict=True):
            cuts.setdefault(row, []).append(int(place))
        rows = rows[draws.uniforms(0.0, 1.0, len(rows)) < most]


def _anywhere(bits: int, draws: Draws) -> int:
    """Draw a bit between start of frame and CRC delimiter."""
    return draws.integer(2, max(bits - TAIL_BITS, 2))


def _last_before(ready_s: Floats, own: Rows, times_s: Sequence[float]) -> list[int]:
    """Return a node's last frame before each time."""
    order = own[np.argsort(ready_s[own], kind="stable")]
    at = np.searchsorted(ready_s[order], times_s, side="right") - 1
    return [int(order[place]) for place in at if place >= 0]
