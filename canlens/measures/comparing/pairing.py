"""Pairing: which channel, which blocks and which identifiers of two recordings are held against each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from canlens.nouns.baselines import AWAKE, FULL_S, STATES, ChannelBaseline, IdentifierBaseline, Key
from canlens.results.compare import Change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.baselines import Baseline, State
    from canlens.signals import Floats
    from canlens.trace import Bools


JITTER_BLOCKS = 12
"""Full blocks that each recording must have, sixty seconds, before jitter and intervals are tested."""
LEAST_S = 5.0
"""With less of it in a common state, two recordings are not comparable [s]."""
SHARED_CLOCK = 0.001
"""Cycles that all changed alike, within this share, tell of the recorders' clocks and not of the bus."""
CLOCK_MESSAGES = 5
CLOCK_SHARE = 0.8
"""So many messages, and such a share of all, must agree for that."""


@dataclass(frozen=True, eq=False)
class Side:
    """One recording's part: its channel, and which of the channel's k blocks count.

    ``inside`` are the blocks in the common state, ``full`` those of them that are long enough to be exchanged.
    """

    channel: ChannelBaseline
    inside: Bools
    full: Bools

    @property
    def seconds(self) -> float:
        """How long it was recorded in the common state [s]."""
        return float(self.channel.seconds[self.inside].sum())

    @property
    def blocks(self) -> int:
        """Number of full blocks."""
        return int(self.full.sum())


@dataclass(frozen=True, eq=False)
class Pair:
    """A channel before and after.

    Attributes
    ----------
    clock
        How much longer the second after clock takes for all cycles alike; 1 where that cannot be told.
    """

    before: Side
    after: Side
    state: State
    clock: float

    @property
    def identifiers(self) -> tuple[tuple[IdentifierBaseline, IdentifierBaseline], ...]:
        """Those that came in both, before and after."""
        later = {each.key: each for each in self.after.channel.identifiers}
        return tuple((each, later[each.key]) for each in self.before.channel.identifiers if each.key in later)

    @property
    def is_long(self) -> bool:
        """Whether both parts are long enough for tests that exchange blocks."""
        return min(self.before.blocks, self.after.blocks) >= JITTER_BLOCKS

    @property
    def name(self) -> str:
        """The channel as the later recording has it."""
        return self.after.channel.name


def cycles_s(each: IdentifierBaseline, blocks: Bools) -> Floats:
    """Return cycle times sum and weight of the blocks, float64 (k, 2): [s x intervals, intervals]."""
    cycle = (each.cycle + each.slope[blocks]) * 1e-8
    weight = each.on_beat[blocks].astype(np.float64)
    return np.stack([cycle * weight, weight], axis=1)


def ratio(pairs: Floats) -> float:
    """Return all sums over all weights; nan without weight."""
    total = pairs.sum(axis=0)
    return float(total[0] / total[1]) if total[1] else float("nan")


def pairs_of(before: Baseline, after: Baseline) -> tuple[Pair, ...]:
    """Pair the channels of two recordings, by name where their identifiers do not speak for another pairing."""
    left = list(after.channels)
    out = []
    for channel in before.channels:
        if not left:
            break
        partner = max(left, key=lambda each: (_likeness(channel, each), each.name == channel.name))
        named = [each for each in left if each.name == channel.name]
        if named and _likeness(channel, named[0]) >= 0.5 * _likeness(channel, partner):
            partner = named[0]
        left.remove(partner)
        pair = _pair(channel, partner)
        if pair is not None:
            out.append(pair)
    return tuple(out)


def _likeness(one: ChannelBaseline, other: ChannelBaseline) -> float:
    """Return the share of identifiers that two channels have in common."""
    first, second = _keys(one), _keys(other)
    return len(first & second) / max(len(first | second), 1)


def _keys(channel: ChannelBaseline) -> set[Key]:
    return {each.key for each in channel.identifiers}


def _pair(before: ChannelBaseline, after: ChannelBaseline) -> Pair | None:
    """Choose the state in which two channels were seen for longest; None where there is none."""
    known = [state for state in STATES if state in before.states and state in after.states]
    judged = all(any(state in each.states for state in STATES) for each in (before, after))
    states: list[State] = known if judged else [AWAKE]
    best: Pair | None = None
    for state in states:
        sides = [_side(channel, state) for channel in (before, after)]
        shortest = min(side.seconds for side in sides)
        if shortest >= LEAST_S and (best is None or shortest > min(best.before.seconds, best.after.seconds)):
            best = Pair(sides[0], sides[1], state, 1.0)
    return best and Pair(best.before, best.after, best.state, _clock(best))


def _side(channel: ChannelBaseline, state: State) -> Side:
    inside = channel.in_state(state)
    return Side(channel, inside, inside & (channel.seconds >= FULL_S))


def _clock(pair: Pair) -> float:
    """Return the ratio by which nearly all cycles changed alike; 1 where there is none."""
    found = [
        ratio(cycles_s(after, pair.after.inside)) / ratio(cycles_s(before, pair.before.inside))
        for before, after in pair.identifiers
        if before.has_beat and after.has_beat and before.kind == after.kind
    ]
    ratios = np.array([each for each in found if np.isfinite(each)])
    if len(ratios) < CLOCK_MESSAGES:
        return 1.0
    middle = float(np.median(ratios))
    agree = np.abs(ratios / middle - 1) <= SHARED_CLOCK
    return middle if agree.mean() >= CLOCK_SHARE and abs(middle - 1) > SHARED_CLOCK else 1.0


# Swapped channels: buses that the later recording has on another channel.


def channel_swaps(pairs: Sequence[Pair]) -> list[Change]:
    """List the buses that are found on a channel which carried another bus before.

    A recorder that merely names its channels otherwise (``can0`` before, ``1`` after) swapped nothing: the channel on
    which a bus is found must have been there before, with another bus on it.
    """
    names = {pair.before.channel.name for pair in pairs}
    return [
        _swap(pair)
        for pair in pairs
        if pair.before.channel.name != pair.after.channel.name and pair.after.channel.name in names
    ]


def _swap(pair: Pair) -> Change:
    before, after = pair.before.channel.name, pair.after.channel.name
    return Change(
        change="channel-swap",
        subject=(before,),
        before=before,
        after=after,
        quantity="channel",
        channel=after,
        sentence=f"The bus that was on {before} is on {after} now; its messages are compared with each other",
    )
