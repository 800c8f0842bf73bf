"""Bus changes: load, errors, and how long the bus stays awake."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.comparing.significance import conditional_p, doubled_p, exchange_p, proving_s, ratio_bounds
from canlens.results.compare import Change, NotCompared
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.measures.comparing.pairing import Pair, Side
    from canlens.nouns.baselines import Baseline, QuietBaseline
    from canlens.results.compare import Direction
    from canlens.signals import Floats


LEVEL = 0.05
LOAD_FLOOR = 0.01
LOAD_FLOOR_SHARE = 0.05
"""Loads that differ by less than a percent of the bus, or a twentieth of themselves, are alike in practice."""
EXPLAINED_SHARE = 0.7
"""Identifiers that came or went explain a change of the load if they make up so much of it."""
SURE_EVENTS = 3.0
"""If so many episodes are expected and none comes, the rate lies below with 95 % (exp(-3) = 0.05)."""
TEST_BLOCKS = 4


def load_change(pair: Pair, membership: Sequence[Change]) -> tuple[list[Change], list[NotCompared]]:
    """Compare the mean load.

    Parameters
    ----------
    pair
        A channel before and after.
    membership
        Identifiers that came or went.
    """
    rates = pair.before.channel.bit_rate, pair.after.channel.bit_rate
    if None in rates or rates[0] != rates[1]:
        return [], [
            NotCompared(
                "bus load",
                f"the bit rates are {rates[0] or 'unknown'} and {rates[1] or 'unknown'}",
                "Give the bit rate in the plan.",
            )
        ]
    one, other = _busy(pair.before), _busy(pair.after)
    first, second = (float(each[:, 0].sum() / max(each[:, 1].sum(), 1e-9)) for each in (one, other))
    chance = exchange_p(one, other) if min(len(one), len(other)) >= TEST_BLOCKS else 1.0
    floor = max(LOAD_FLOOR, LOAD_FLOOR_SHARE * first, _own_difference(one))
    if chance >= LEVEL or abs(second - first) <= floor:
        return [], []
    return [
        Change(
            change="bus-load",
            subject=(),
            before=first,
            after=second,
            size=second / first - 1 if first else None,
            p=chance,
            explained_by=_load_explained(pair, membership, second - first),
            quantity="mean bus load, stuff bits and intermission counted",
            unit="ratio",
            direction="neither",
            channel=pair.name,
            node=None,
            sentence=f"the bus load is {second * 100:.1f} % instead of {first * 100:.1f} %",
        )
    ], []


def _busy(side: Side) -> Floats:
    """Return busy and awake time of each full block, float64 (k, 2) [s]."""
    return np.stack([side.channel.busy_us[side.full] / 1e6, side.channel.seconds[side.full]], axis=1)


def _own_difference(blocks: Floats) -> float:
    """Return how much the halves of the earlier recording differ."""
    middle = len(blocks) // 2
    if not middle:
        return math.inf
    halves = [blocks[:middle].sum(axis=0), blocks[middle:].sum(axis=0)]
    return abs(float(halves[0][0] / halves[0][1] - halves[1][0] / halves[1][1]))


def _load_explained(pair: Pair, membership: Sequence[Change], difference: float) -> str | None:
    """Say which identifiers account for a change of the load, if they do."""
    total = 0.0
    told: list[str] = []
    for side, sign, kind in ((pair.before, -1, "identifier-vanished"), (pair.after, 1, "identifier-new")):
        named = {each.subject for each in membership if each.change == kind and each.channel == pair.name}
        mine = [each for each in side.channel.identifiers if each.subject in named]
        if mine:
            total += sign * sum(each.busy_us for each in mine) / 1e6 / max(side.channel.awake_s, 1e-3)
            told.append(f"the {counted(len(mine), 'identifier')} that {'vanished' if sign < 0 else 'are new'}")
    enough = difference * total > 0 and abs(total) >= EXPLAINED_SHARE * abs(difference)
    return " and ".join(told) if enough else None


def error_change(pair: Pair, before: Baseline, after: Baseline) -> tuple[list[Change], list[NotCompared]]:
    """Compare the rates of error episodes; records of one episode are no independent events."""
    sides = (pair.before, pair.after)
    first, second = (int(side.channel.episodes[side.inside].sum()) for side in sides)
    silent = _not_recorded(pair, before, after, first, second)
    if silent is not None:
        return [], [silent]
    times = pair.before.seconds, pair.after.seconds
    chance = max(conditional_p(first, times[0], second, times[1]), doubled_p(first, times[0], second, times[1]))
    if first + second and _is_uneven(pair.before):
        chance = max(chance, exchange_p(_episodes(pair.before), _episodes(pair.after)))
    if chance >= LEVEL:
        return [], _not_enough(first, second, times, chance)
    rates = first / times[0], second / times[1]
    direction: Direction = "worse" if rates[1] > rates[0] else "better"
    bounds = ratio_bounds(first, times[0], second, times[1])
    least, most = (f"{bound:.3g}" if math.isfinite(bound) else "any" for bound in bounds)
    return [
        Change(
            change="errors",
            subject=(),
            before=float(first),
            after=float(second),
            size=rates[1] / rates[0] - 1 if first else None,
            p=chance,
            explained_by=None,
            quantity="error episodes",
            unit="",
            direction=direction,
            channel=pair.name,
            node=None,
            sentence=f"{counted(second, 'error episode')} in {times[1]:.0f} s, before {first} in {times[0]:.0f} s "
            f"(the rate before was {least} to {most} times that after, with 95 %)",
        )
    ], []


def _episodes(side: Side) -> Floats:
    """Return episodes and awake time of each block, float64 (k, 2)."""
    return np.stack([side.channel.episodes[side.inside].astype(np.float64), side.channel.seconds[side.inside]], axis=1)


def _is_uneven(side: Side) -> bool:
    """Tell whether the halves of a recording differ in errors by more than chance: then episodes come in clusters."""
    blocks = _episodes(side)
    middle = len(blocks) // 2
    parts = [part.sum(axis=0) for part in (blocks[:middle], blocks[middle:])]
    if not min(float(part[1]) for part in parts):
        return False
    return doubled_p(int(parts[0][0]), float(parts[0][1]), int(parts[1][0]), float(parts[1][1])) < LEVEL


def _not_recorded(pair: Pair, before: Baseline, after: Baseline, first: int, second: int) -> NotCompared | None:
    """Say why errors cannot be compared; None where they can be.

    A recorder that kept errors once is taken to keep them in the other recording, if the format is the same.
    """
    kept = pair.before.channel.recorded, pair.after.channel.recorded
    needed = "Have the recorder keep error frames, in both recordings."
    if "no" in kept:
        when = "before" if kept[0] == "no" else "after"
        why = (pair.before if kept[0] == "no" else pair.after).channel.recorded_because
        return NotCompared("errors", f"{when}: {why[:1].lower()}{why[1:].rstrip('.')}", needed)
    if kept == ("unknown", "unknown") and not first + second:
        return NotCompared(
            "errors", "neither recording holds any, and neither says whether it would have; that is not none", needed
        )
    formats = before.recording.format, after.recording.format
    if "unknown" in kept and formats[0] != formats[1]:
        return NotCompared("errors", f"only one recording is known to keep them ({', '.join(formats)})", needed)
    return None


def _not_enough(first: int, second: int, times: tuple[float, float], chance: float) -> list[NotCompared]:
    """Say what it would take to tell the rates apart; nothing where both are zero or the same."""
    if first == second:
        return []
    needed = "Record longer."
    if not second:
        needed = (
            f"Record {proving_s(first, times[0], level=LEVEL):.0f} s without an episode, better "
            f"{4.6 / (first / times[0]):.0f} s or more, to be sure that they have become fewer."
        )
    below = f"; the rate after lies below one in {times[1] / SURE_EVENTS:.0f} s with 95 %" if not second else ""
    return [
        NotCompared(
            "errors",
            f"{counted(first, 'episode')} before, {second or 'none'} after: not enough to tell "
            f"(p = {chance:.2g}){below}",
            needed,
        )
    ]


def quiet_change(
    before: QuietBaseline | None, after: QuietBaseline | None, *, allowed_s: float | None
) -> tuple[list[Change], list[NotCompared]]:
    """Compare how long the bus stays awake after its control went off, against what the plan allows."""
    needed = "A plan with awake_while and quiet_after_s, and two recordings that go on until the bus sleeps."
    if before is None or after is None or allowed_s is None:
        when = "before" if before is None else "after"
        lacking = f"{when}, the control that keeps the bus awake was not seen to go off"
        if allowed_s is None:
            lacking = "no plan says what keeps the bus awake and for how long"
        return [], [NotCompared("time until the bus is quiet", lacking, needed)]
    if (before.after_s > allowed_s) == (after.after_s > allowed_s):
        return [], []
    return [
        Change(
            change="quiet",
            subject=(),
            before=before.after_s,
            after=after.after_s,
            size=after.after_s / before.after_s - 1 if before.after_s else None,
            p=None,
            explained_by=None,
            quantity="last frame after the control went off",
            unit="s",
            direction="worse" if after.after_s > allowed_s else "better",
            channel="",
            node=None,
            sentence=f"the last frame came {after.after_s:.1f} s after the control that keeps the bus awake went off, "
            f"before {before.after_s:.1f} s; the plan allows {allowed_s:g} s",
        )
    ], []
