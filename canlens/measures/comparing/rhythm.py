"""Rhythm: intervals, jitter and gaps of the messages that came before and after."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.comparing.pairing import JITTER_BLOCKS, cycles_s, ratio
from canlens.measures.comparing.significance import benjamini_hochberg, exchange_p
from canlens.nouns.baselines import BLOCK_S
from canlens.results.compare import Change, NotCompared
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canlens.measures.comparing.pairing import Pair
    from canlens.nouns.baselines import IdentifierBaseline
    from canlens.results.compare import ChangeKind, Direction
    from canlens.signals import Floats
    from canlens.trace import Bools


# Tested quantities: what the tests of intervals, jitter and gaps have in common.


FEWEST_INTERVALS = 20


@dataclass(frozen=True, eq=False)
class Tested:
    """One quantity of one message before and after, with the chance of so much difference."""

    each: IdentifierBaseline
    first: float
    second: float
    chance: float


def on_beat(pair: Pair) -> Iterable[tuple[IdentifierBaseline, IdentifierBaseline]]:
    """Yield the messages that are sent on a beat both times and often enough."""
    for before, after in pair.identifiers:
        counts = (int(before.on_beat[pair.before.full].sum()), int(after.on_beat[pair.after.full].sum()))
        if before.has_beat and after.has_beat and min(counts) >= FEWEST_INTERVALS:
            yield before, after


def halves(values: Floats) -> Iterable[tuple[Floats, Floats]]:
    """Yield ways to cut the earlier recording in two: first and second half, even and odd blocks."""
    middle = len(values) // 2
    yield values[:middle], values[middle:]
    yield values[::2], values[1::2]


def rhythm_change(
    pair: Pair,
    kind: ChangeKind,
    each: Tested,
    chance: float | None,
    *,
    quantity: str,
    direction: Direction,
    size: float | None,
    sentence: str,
    unit: str = "s",
) -> Change:
    """Return what was found of one message as a change."""
    senders = each.each.senders
    return Change(
        change=kind,
        subject=each.each.subject,
        before=each.first,
        after=each.second,
        size=size,
        p=chance,
        explained_by=None,
        quantity=quantity,
        unit=unit,
        direction=direction,
        channel=pair.name,
        node=senders[0] if len(senders) == 1 else None,
        sentence=sentence,
    )


# Jitter: how much the intervals of each message scatter before and after, the waits for the bus taken out.


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
    return [
        NotCompared(
            f"jitter of {some((each.subject[-1] for each in waiting), most=NAMED)}",
            why,
            "A longer recording on a bus with less load.",
        )
    ]


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
            f"jitter that grew by half, of {some((each.subject[-1] for each, _ in short), most=NAMED)}",
            "too few frames came, or too many waited for the bus, to find it nine times in ten; no change was seen",
            f"Record about {longest_s} s; the fewer identifiers, the sooner.",
        )
    ]


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


# Rhythm: intervals, jitter and gaps of the messages that came before and after.


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
