"""Tested quantities: what the tests of intervals, jitter and gaps have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canlens.comparison_results import Change

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.baseline import IdentifierBaseline
    from canlens.comparison_results import ChangeKind, Direction
    from canlens.measures.comparing.aligning import Pair
    from canlens.signals import Floats

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
