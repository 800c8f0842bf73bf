"""Rhythm: intervals, jitter and gaps of the messages that came before and after."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.baseline import STEP_S
from canlens.comparison_results import Change, NotCompared
from canlens.measures.comparing.aligning import JITTER_BLOCKS, cycles_s, ratio
from canlens.measures.comparing.discovery_rate import benjamini_hochberg
from canlens.measures.comparing.exchanging import exchange_p
from canlens.measures.comparing.lone_frames import SLOW_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from canlens.baseline import IdentifierBaseline
    from canlens.comparison_results import ChangeKind, Direction
    from canlens.measures.comparing.aligning import Pair
    from canlens.signals import Floats
    from canlens.trace import Bools

LEVEL = 0.05
INTERVAL_FLOOR = 0.005
"""Cycles that differ by less are alike in practice: clocks of nodes differ by up to 0.03 %, slow tasks by more."""
SURE_INTERVAL = 0.05
"""Where recordings are too short to test, cycles must differ by so much, and by several times what blocks differ."""
SURE_TIMES = 4.0
JITTER_LEVEL = 0.03
"""Blocks are not quite independent of each other, so that jitter needs a stricter level."""
JITTER_FLOOR = 1.3
"""Spreads whose ratio is smaller are alike in practice."""
JITTER_FLOOR_S = 20e-6
"""And so are spreads that differ by less [s], which the recorder's own clock may bring about."""
NAMED = 6
WEIGHTY_BLOCKS = 9
CHANCE_ERRORS = 2.0
GAP_BLOCKS = 3
"""A message must stay away in so many blocks more."""
FEWEST_INTERVALS = 20
FREE_SHARE = 0.2
"""In a block in which fewer of a message's intervals lie between frames that did not wait, these are a choice that
changes with what else is sent."""


@dataclass(frozen=True, eq=False)
class _Tested:
    """One quantity of one message before and after, with the chance of so much difference."""

    each: IdentifierBaseline
    first: float
    second: float
    chance: float


def rhythm(pair: Pair) -> tuple[list[Change], list[NotCompared]]:
    """Compare intervals, jitter and gaps of all messages on a beat."""
    if not pair.is_long:
        shortest = min(pair.before.blocks, pair.after.blocks) * 5
        why = f"it takes {JITTER_BLOCKS * 5} s of the same state in both recordings; the shorter has {shortest} s"
        needed = f"Record at least {JITTER_BLOCKS * 5} s, with everything switched as in the other recording."
        named = [NotCompared("jitter and gaps", why, needed), NotCompared("intervals, to less than 5 %", why, needed)]
        return list(_coarse_intervals(pair)), named
    waiting: list[IdentifierBaseline] = []
    changes = [*_intervals(pair), *_jitter(pair, waiting), *_gaps(pair)]
    return changes, _waited(waiting)


def _waited(waiting: Sequence[IdentifierBaseline]) -> list[NotCompared]:
    """Name the messages whose jitter is that of the bus and not their own."""
    if not waiting:
        return []
    names = ", ".join(each.subject[-1] for each in waiting[:NAMED])
    more = f" and {len(waiting) - NAMED} more" if len(waiting) > NAMED else ""
    why = "they come too seldom, or mostly wait for other frames, so that their jitter changes with what else is sent"
    return [NotCompared(f"jitter of {names}{more}", why, "A longer recording on a bus with less load.")]


def _on_beat(pair: Pair) -> Iterable[tuple[IdentifierBaseline, IdentifierBaseline]]:
    """Yield the messages that are sent on a beat both times and often enough."""
    for before, after in pair.identifiers:
        counts = (int(before.on_beat[pair.before.full].sum()), int(after.on_beat[pair.after.full].sum()))
        if before.has_beat and after.has_beat and min(counts) >= FEWEST_INTERVALS:
            yield before, after


def _halves(values: Floats) -> Iterable[tuple[Floats, Floats]]:
    """Yield ways to cut the earlier recording in two: first and second half, even and odd blocks."""
    middle = len(values) // 2
    yield values[:middle], values[middle:]
    yield values[::2], values[1::2]


def _own_difference(values: Floats, differ: Callable[[float, float], float]) -> float:
    """Return how much the earlier recording differs from itself, at the most."""
    found = [differ(ratio(one), ratio(other)) for one, other in _halves(values)]
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
            yield _interval_change(pair, _Tested(before, first, second, math.nan), None)


def _intervals(pair: Pair) -> Iterable[Change]:
    """Test the fitted cycles of all messages."""
    tested, own = [], []
    for before, after in _on_beat(pair):
        one, other = cycles_s(before, pair.before.full), cycles_s(after, pair.after.full)
        other[:, 0] /= pair.clock
        tested.append(_Tested(before, ratio(one), ratio(other), exchange_p(one, other)))
        own.append(_own_difference(one, _relative))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    for each, floor, chance in zip(tested, own, adjusted.tolist(), strict=True):
        if chance < LEVEL and _relative(each.first, each.second) > max(INTERVAL_FLOOR, floor):
            yield _interval_change(pair, each, chance)


def _interval_change(pair: Pair, each: _Tested, chance: float | None) -> Change:
    size = each.second / each.first - 1
    declared = each.each.declared_s
    direction: Direction = "neither"
    if declared:
        nearer = abs(each.second - declared) < abs(each.first - declared)
        direction = "better" if nearer else "worse"
    return _change(
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


def _spreads(each: IdentifierBaseline, blocks: Bools) -> Floats:
    """Return the logarithm of the spread [s] and degrees of freedom of each block, float64 (k, 2): their product first.

    Blocks in which it mostly waited have no weight. Logarithms, since one block with a few frames that were held up
    would outweigh all others; of slow messages the spread itself, as its logarithm scatters widely with so few frames.
    """
    free, every = each.free[blocks], each.on_beat[blocks]
    freedom = np.where(free >= FREE_SHARE * every, np.maximum(free - 1.0, 0.0), 0.0)
    spread_s = np.maximum(each.free_spread[blocks], 1) * STEP_S
    told = spread_s if _is_slow(each) else np.log(spread_s)
    return np.stack([told * freedom, freedom], axis=1)


def _is_slow(each: IdentifierBaseline) -> bool:
    """Tell whether its spreads rest on few frames each."""
    return each.cycle * 1e-8 >= SLOW_S


def _mean_log(spreads: Floats, *, is_slow: bool) -> float:
    """Return the logarithm of the mean spread [s] of some blocks, as :func:`_spreads` tells them."""
    mean = ratio(spreads)
    return math.log(mean) if is_slow else mean


def _weighty(one: Floats, other: Floats) -> int:
    """Return how many blocks have a weight, on the side that has fewer."""
    return min(int(np.count_nonzero(each[:, 1])) for each in (one, other))


def _spread_ratio(one: float, other: float) -> float:
    """Return how many times larger the larger of two spreads is, both given as logarithms."""
    return math.exp(abs(one - other))


def _own_spread_ratio(values: Floats, *, is_slow: bool) -> float:
    """Return how much the spread of the earlier recording differs from itself, beyond what few intervals do by chance.

    A standard deviation of n intervals has a relative error of about 1 / sqrt(2 n).
    """
    found = [0.0]
    for one, other in _halves(values):
        numbers = one[:, 1].sum(), other[:, 1].sum()
        if min(numbers) > 0:
            chance = CHANCE_ERRORS * math.sqrt(sum(1 / (2 * number) for number in numbers))
            found.append(abs(_mean_log(one, is_slow=is_slow) - _mean_log(other, is_slow=is_slow)) - chance)
    return math.exp(max(found))


def _jitter(pair: Pair, waiting: list[IdentifierBaseline]) -> Iterable[Change]:
    """Test the spread of the intervals between frames that did not wait for the bus.

    How often frames find the bus taken changes within minutes, since the clocks of nodes drift past each other; so the
    spread of all intervals changes several times on a bus on which nothing has changed. The earlier recording is its
    own control besides: no ratio counts that is not larger than the largest between its halves.
    """
    tested, own = [], []
    for before, after in _on_beat(pair):
        if "mixed" in {before.kind, after.kind} or _is_slow(before) != _is_slow(after):
            continue
        one, other = _spreads(before, pair.before.full), _spreads(after, pair.after.full)
        if min(one[:, 1].sum(), other[:, 1].sum()) < FEWEST_INTERVALS or _weighty(one, other) < WEIGHTY_BLOCKS:
            waiting.append(before)
            continue
        first, second = (_mean_log(each, is_slow=_is_slow(before)) for each in (one, other))
        tested.append(_Tested(before, first, second, exchange_p(one, other)))
        own.append(_own_spread_ratio(one, is_slow=_is_slow(before)))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    for each, floor, chance in zip(tested, own, adjusted.tolist(), strict=True):
        first, second = math.exp(each.first), math.exp(each.second)
        is_large = _spread_ratio(each.first, each.second) > max(JITTER_FLOOR, floor)
        if chance < JITTER_LEVEL and is_large and abs(second - first) > JITTER_FLOOR_S:
            yield _jitter_change(pair, _Tested(each.each, first, second, chance))


def _jitter_change(pair: Pair, each: _Tested) -> Change:
    times = f", {each.second / each.first:.2g} times" if each.first else ""
    return _change(
        pair,
        "jitter",
        each,
        each.chance,
        quantity="standard deviation of the interval, of frames that did not wait for the bus",
        direction="worse" if each.second > each.first else "better",
        size=each.second / each.first - 1 if each.first else None,
        sentence=f"{' '.join(each.each.subject)} jitters by {each.second * 1000:.3g} ms instead of "
        f"{each.first * 1000:.3g} ms (standard deviation{times}, where it did not wait for the bus)",
    )


def _gaps(pair: Pair) -> Iterable[Change]:
    """Test in how many blocks each message stayed away though others came."""
    tested = []
    for before, after in _on_beat(pair):
        one, other = _away(before, pair.before.full), _away(after, pair.after.full)
        if one[:, 0].any() or other[:, 0].any():
            tested.append(_Tested(before, float(one[:, 0].sum()), float(other[:, 0].sum()), exchange_p(one, other)))
    adjusted = benjamini_hochberg([each.chance for each in tested])
    for each, chance in zip(tested, adjusted.tolist(), strict=True):
        if chance < LEVEL and abs(each.second - each.first) >= GAP_BLOCKS:
            yield _change(
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


def _change(
    pair: Pair,
    kind: ChangeKind,
    each: _Tested,
    chance: float | None,
    *,
    quantity: str,
    direction: Direction,
    size: float | None,
    sentence: str,
    unit: str = "s",
) -> Change:
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
