"""Swapped channels: buses that the later recording has on another channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.comparison_results import Change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.comparing.aligning import Pair


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
        size=None,
        p=None,
        explained_by=None,
        quantity="channel",
        unit="",
        direction="neither",
        channel=after,
        node=None,
        sentence=f"The bus that was on {before} is on {after} now; its messages are compared with each other",
    )
