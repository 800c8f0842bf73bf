"""Jitter: how much the intervals of each message scatter before and after, the waits for the bus taken out."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from canlens.baseline import BLOCK_S
from canlens.comparison_results import NotCompared
from canlens.measures.comparing.aligning import ratio
from canlens.measures.comparing.discovery_rate import benjamini_hochberg
from canlens.measures.comparing.exchanging import exchange_p
from canlens.measures.comparing.tested import FEWEST_INTERVALS, Tested, halves, on_beat, rhythm_change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.baseline import IdentifierBaseline
    from canlens.comparison_results import Change
    from canlens.measures.comparing.aligning import Pair
    from canlens.signals import Floats

JITTER_LEVEL = 0.03
"""Blocks are not quite independent of each other, so that jitter needs a stricter level."""
JITTER_FLOOR = 1.3
"""Spreads whose ratio is smaller are alike in practice."""
JITTER_FLOOR_S = 10e-6
"""And so are spreads that differ by less [s], which the recorder's own clock may bring about."""
NAMED = 6
WEIGHTY_BLOCKS = 6
CHANCE_ERRORS = 2.0
LEAST_WORTH = 0.5
"""A block in which less of a frame is known has no say."""
PLANNED_RATIO = 1.5
POWER = 0.9
BLOCK_LOSS = 1.3
"""How many times more frames blocks of five seconds need than frames dealt out singly would (measured)."""


def _waited(waiting: Sequence[IdentifierBaseline]) -> list[NotCompared]:
    """Name the messages whose jitter is that of the bus and not their own."""
    if not waiting:
        return []
    why = "they come too seldom, or too few of their frames find the bus free, to tell their own jitter from waiting"
    return [NotCompared(f"jitter of {_names(waiting)}", why, "A longer recording on a bus with less load.")]


def _spread_s(squares: Floats) -> float:
    """Return the standard deviation of the intervals of some blocks [s]."""
    return math.sqrt(max(ratio(squares), 0.0))


def _weighty(one: Floats, other: Floats) -> int:
    """Return how many blocks have a say, on the side that has fewer."""
    return min(int(np.count_nonzero(each[:, 1] >= LEAST_WORTH)) for each in (one, other))


def _spread_ratio(one: float, other: float) -> float:
    """Return how many times larger the larger of two spreads is."""
    return max(one, other) / max(min(one, other), JITTER_FLOOR_S / 2)


def _own_spread_ratio(values: Floats) -> float:
    """Return how much the spread of the earlier recording differs from itself, beyond what few frames do by chance.

    A standard deviation of n frames has a relative error of about 1 / sqrt(2 n).
    """
    found = [1.0]
    for one, other in halves(values):
        numbers = one[:, 1].sum(), other[:, 1].sum()
        if min(numbers) > 0:
            chance = CHANCE_ERRORS * math.sqrt(sum(1 / (2 * number) for number in numbers))
            found.append(_spread_ratio(_spread_s(one), _spread_s(other)) * math.exp(-chance))
    return max(found)


def jitter(pair: Pair) -> tuple[list[Change], list[NotCompared]]:
    """Test the spread of each message's intervals, the waits for the bus taken out.

    How often frames find the bus taken changes within minutes, since the clocks of nodes drift past each other; so the
    spread of all intervals changes several times on a bus on which nothing has changed. The earlier recording is its
    own control besides: no ratio counts that is not larger than the largest between its halves.
    """
    waiting: list[IdentifierBaseline] = []
    tested, own, worth = [], [], []
    for before, after in on_beat(pair):
        if "mixed" in {before.kind, after.kind}:
            continue
        one, other = before.squares[pair.before.full], after.squares[pair.after.full]
        if min(one[:, 1].sum(), other[:, 1].sum()) < FEWEST_INTERVALS or _weighty(one, other) < WEIGHTY_BLOCKS:
            waiting.append(before)
            continue
        tested.append(Tested(before, _spread_s(one), _spread_s(other), exchange_p(one, other)))
        own.append(_own_spread_ratio(one))
        worth.append(min(one[:, 1].sum(), other[:, 1].sum()))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    changes = []
    for each, floor, chance in zip(tested, own, adjusted.tolist(), strict=True):
        is_large = _spread_ratio(each.first, each.second) > max(JITTER_FLOOR, floor)
        if chance < JITTER_LEVEL and is_large and abs(each.second - each.first) > JITTER_FLOOR_S:
            changes.append(_jitter_change(pair, each, chance))
    told = {change.subject for change in changes}
    seconds = min(pair.before.blocks, pair.after.blocks) * BLOCK_S
    short = [
        (each.each, seconds * need)
        for each, need in zip(tested, times_longer(np.array(worth)).tolist(), strict=True)
        if need > 1 and each.each.subject not in told
    ]
    return changes, [*_waited(waiting), *_too_short(short)]


def times_longer(worth: Floats) -> Floats:
    """Return how many times longer than now it takes to find jitter that grew by half nine times in ten, float64 (n,).

    The logarithm of a standard deviation of n frames has an error of about 1 / sqrt(2 n); it must stand out as the only
    change among n tests. Blocks tell some less than single frames would.
    """
    normal = NormalDist()
    errors = normal.inv_cdf(1 - JITTER_LEVEL / (2 * max(len(worth), 1))) + normal.inv_cdf(POWER)
    needed = BLOCK_LOSS * (errors / math.log(PLANNED_RATIO)) ** 2
    return np.asarray(needed / np.maximum(worth, 1.0), np.float64)


def _too_short(short: Sequence[tuple[IdentifierBaseline, float]]) -> list[NotCompared]:
    """Name the messages that come so seldom that jitter which grew by half is easily missed, and how long it takes."""
    if not short:
        return []
    longest_s = math.ceil(max(seconds for _, seconds in short) / 30) * 30
    return [
        NotCompared(
            f"jitter that grew by half, of {_names([each for each, _ in short])}",
            "too few frames came, or too many waited for the bus, to find it nine times in ten; no change was seen",
            f"Record about {longest_s} s; the fewer identifiers, the sooner.",
        )
    ]


def _names(named: Sequence[IdentifierBaseline]) -> str:
    """Name some messages, and count the others."""
    more = f" and {len(named) - NAMED} more" if len(named) > NAMED else ""
    return ", ".join(each.subject[-1] for each in named[:NAMED]) + more


def _jitter_change(pair: Pair, each: Tested, chance: float) -> Change:
    times = f", {each.second / each.first:.2g} times" if each.first else ""
    return rhythm_change(
        pair,
        "jitter",
        each,
        chance,
        quantity="standard deviation of the interval, waits for the bus taken out",
        direction="worse" if each.second > each.first else "better",
        size=each.second / each.first - 1 if each.first else None,
        sentence=f"{' '.join(each.each.subject)} jitters by {each.second * 1000:.3g} ms instead of "
        f"{each.first * 1000:.3g} ms (standard deviation{times}, waits for the bus taken out)",
    )
