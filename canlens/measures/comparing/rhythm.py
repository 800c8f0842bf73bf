"""Rhythm: intervals, jitter and gaps of the messages that came before and after."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.comparison_results import NotCompared
from canlens.measures.comparing.aligning import JITTER_BLOCKS, cycles_s, ratio
from canlens.measures.comparing.discovery_rate import benjamini_hochberg
from canlens.measures.comparing.exchanging import exchange_p
from canlens.measures.comparing.jitter import jitter
from canlens.measures.comparing.tested import FEWEST_INTERVALS, Tested, halves, on_beat, rhythm_change

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from canlens.baseline import IdentifierBaseline
    from canlens.comparison_results import Change, Direction
    from canlens.measures.comparing.aligning import Pair
    from canlens.signals import Floats
    from canlens.trace import Bools

LEVEL = 0.05
INTERVAL_FLOOR = 0.005
"""Cycles that differ by less are alike in practice: clocks of nodes differ by up to 0.03 %, slow tasks by more."""
SURE_INTERVAL = 0.05
"""Where recordings are too short to test, cycles must differ by so much, and by several times what blocks differ."""
SURE_TIMES = 4.0
GAP_BLOCKS = 3
"""A message must stay away in so many blocks more."""


def rhythm(pair: Pair) -> tuple[list[Change], list[NotCompared]]:
    """Compare intervals, jitter and gaps of all messages on a beat."""
    if not pair.is_long:
        shortest = min(pair.before.blocks, pair.after.blocks) * 5
        why = f"it takes {JITTER_BLOCKS * 5} s of the same state in both recordings; the shorter has {shortest} s"
        needed = f"Record at least {JITTER_BLOCKS * 5} s, with everything switched as in the other recording."
        named = [NotCompared("jitter and gaps", why, needed), NotCompared("intervals, to less than 5 %", why, needed)]
        return list(_coarse_intervals(pair)), named
    jittering, unknown = jitter(pair)
    return [*_intervals(pair), *jittering, *_gaps(pair)], unknown


def _own_difference(values: Floats, differ: Callable[[float, float], float]) -> float:
    """Return how much the earlier recording differs from itself, at the most."""
    found = [differ(ratio(one), ratio(other)) for one, other in halves(values)]
    return max((each for each in found if math.isfinite(each)), default=math.inf)


def _relative(one: float, other: float) -> float:
    return abs(other / one - 1) if one else math.inf


def _coarse_intervals(pair: Pair) -> Iterable[Change]:
    """Compare intervals of short recordings: only what no test is needed for."""
    for before, after in pair.identifiers:
        if not (before.has_beat and after.has_beat):
            continue
        one, other = cycles_s(before, pair.before.inside), cycles_s(after, pair.after.inside)
        if min(one[:, 1].sum(), other[:, 1].sum()) < FEWEST_INTERVALS:
            continue
        first, second = ratio(one), ratio(other) / pair.clock
        single = one[one[:, 1] > 0]
        own = max((_relative(first, float(value)) for value in single[:, 0] / single[:, 1]), default=math.inf)
        if _relative(first, second) > max(SURE_INTERVAL, SURE_TIMES * own):
            yield _interval_change(pair, Tested(before, first, second, math.nan), None)


def _intervals(pair: Pair) -> Iterable[Change]:
    """Test the fitted cycles of all messages."""
    tested, own = [], []
    for before, after in on_beat(pair):
        one, other = cycles_s(before, pair.before.full), cycles_s(after, pair.after.full)
        other[:, 0] /= pair.clock
        tested.append(Tested(before, ratio(one), ratio(other), exchange_p(one, other)))
        own.append(_own_difference(one, _relative))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    for each, floor, chance in zip(tested, own, adjusted.tolist(), strict=True):
        is_large = _relative(each.first, each.second) > max(INTERVAL_FLOOR, floor)
        if chance < LEVEL and is_large and _rate_agrees(pair, each):
            yield _interval_change(pair, each, chance)


def _rate_agrees(pair: Pair, each: Tested) -> bool:
    """Tell whether as many more or fewer frames came as a changed interval brings, at least half of it.

    Where a message waits for longer than half its cycle, intervals are left out that lie too far off the beat, and the
    cycle of those that are left is not its own; but then it comes as often as before. A frame more or less at either
    end tells nothing.
    """
    later = next(after for before, after in pair.identifiers if before.key == each.each.key)
    numbers = [
        float(own.in_block[side.full].sum()) / float(side.channel.seconds[side.full].sum())
        for own, side in ((each.each, pair.before), (later, pair.after))
    ]
    frames = min(int(each.each.in_block[pair.before.full].sum()), int(later.in_block[pair.after.full].sum()))
    if min(*numbers, frames) <= 0:
        return True
    longer = each.second / each.first - 1
    seldom = numbers[0] / (numbers[1] * pair.clock) - 1
    return (seldom if longer > 0 else -seldom) >= abs(longer) / 2 - 2 / frames


def _interval_change(pair: Pair, each: Tested, chance: float | None) -> Change:
    size = each.second / each.first - 1
    declared = each.each.declared_s
    direction: Direction = "neither"
    if declared:
        nearer = abs(each.second - declared) < abs(each.first - declared)
        direction = "better" if nearer else "worse"
    return rhythm_change(
        pair,
        "interval",
        each,
        chance,
        quantity="interval",
        direction=direction,
        size=size,
        sentence=f"{' '.join(each.each.subject)} comes every {each.second * 1000:.5g} ms instead of every "
        f"{each.first * 1000:.5g} ms ({size * 100:+.2g} %)",
    )


def _gaps(pair: Pair) -> Iterable[Change]:
    """Test in how many blocks each message stayed away though others came."""
    tested = []
    for before, after in on_beat(pair):
        one, other = _away(before, pair.before.full), _away(after, pair.after.full)
        if one[:, 0].any() or other[:, 0].any():
            tested.append(Tested(before, float(one[:, 0].sum()), float(other[:, 0].sum()), exchange_p(one, other)))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    for each, chance in zip(tested, adjusted.tolist(), strict=True):
        if chance < LEVEL and abs(each.second - each.first) >= GAP_BLOCKS:
            yield rhythm_change(
                pair,
                "interval",
                each,
                chance,
                quantity="blocks of 5 s with gaps",
                unit="",
                direction="worse" if each.second > each.first else "better",
                size=each.second / each.first - 1 if each.first else None,
                sentence=f"{' '.join(each.each.subject)} stayed away in {each.second:.0f} of {pair.after.blocks} "
                f"blocks of 5 s; before in {each.first:.0f} of {pair.before.blocks}",
            )


def _away(each: IdentifierBaseline, blocks: Bools) -> Floats:
    """Tell in which blocks a message had gaps or never came, float64 (k, 2), with weight 1."""
    is_quick = each.cycle * 1e-8 < 1.0
    missed = (each.gaps[blocks] > 0) | ((each.in_block[blocks] == 0) & is_quick)
    return np.stack([missed.astype(np.float64), np.ones(len(missed))], axis=1)
