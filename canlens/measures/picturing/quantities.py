"""Quantities of a picture: currents, supply and load over time, thinned so that fewer points draw the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.bus_load.load import WINDOW_S, bus_load
from canlens.measures.gathering import decoded, on_channel
from canlens.measures.outputs.tracks import Rhythm
from canlens.nouns.pictures import Bursts, Current, Latencies, Load, Series, Supply

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.outputs import Evidence
    from canlens.plan import Plan, SignalReference
    from canlens.signals import Floats, Signal
    from canlens.trace import Ints, Rows, Trace


BUCKETS = 1000
"""Buckets of a thinned column: a bucket is about a pixel of a wide picture (our choice)."""


def extremes(value: Floats, *, buckets: int = BUCKETS) -> Rows:
    """Choose the rows that draw a quantity: of each bucket of rows the first, the last, the least and the greatest.

    Parameters
    ----------
    value
        float64 (n,): in order of time; nan where there is no value.
    buckets
        How many parts the rows are cut into, 1 or more.

    Returns
    -------
    intp (k,)
        Rows, ascending, each once; all of them where there are no more than four for a bucket. A nan is kept only as
        the first or last of a bucket, or where all of its bucket are.

    Examples
    --------
    >>> extremes(np.array([0.0, 1, 9, 2, 1, 0, 0, 0]), buckets=1).tolist()
    [0, 2, 7]
    """
    number = len(value)
    if number <= 4 * buckets:
        return np.arange(number)
    border = np.linspace(0, number, buckets + 1).astype(np.intp)
    chosen = [border[:-1], border[1:] - 1]
    for worst, sign in ((np.inf, 1.0), (-np.inf, -1.0)):
        plain = np.where(np.isnan(value), worst, value) * sign
        least = np.minimum.reduceat(plain, border[:-1])
        matching = np.flatnonzero(plain == np.repeat(least, np.diff(border)))
        chosen.append(matching[np.searchsorted(matching, border[:-1])])
    return np.unique(np.concatenate(chosen))


def fair_share(numbers: Sequence[int], most: int) -> int:
    """Return how many points each of some columns may have, so that all together have no more than ``most``.

    Columns that need less leave their room to the others.

    Examples
    --------
    >>> fair_share([10, 500, 700], 1000), fair_share([10, 20], 1000)
    (495, 990)
    """
    allowed, left = most, most
    for position, number in enumerate(sorted(numbers)):
        allowed = left // (len(numbers) - position)
        if number > allowed:
            break
        left -= number
    return allowed


def turns(value: Floats) -> Rows:
    """Choose the rows at which a line is not level: the first, the last, and all that differ from a neighbour.

    What is left out lies on the line between two rows that are kept.

    Examples
    --------
    >>> turns(np.array([0.0, 0, 0, 5, 5, 5, 5])).tolist()
    [0, 2, 3, 6]
    """
    number = len(value)
    if number <= 2:  # noqa: PLR2004 – a line has two ends
        return np.arange(number)
    differs = value[1:] != value[:-1]
    return np.flatnonzero(np.concatenate(([True], differs[1:] | differs[:-1], [True])))


def edges(number: int, *, most: int) -> Rows:
    """Choose which of many steps are drawn.

    Up to ``most`` all are. Of more, each bucket of neighbouring steps keeps its first two and its last two, so that it
    still shows both states, and the state that it leaves.

    Returns
    -------
    intp (k,)
        Steps, ascending, each once.
    """
    if number <= most:
        return np.arange(number)
    border = np.linspace(0, number, max(most // 4, 1) + 1).astype(np.intp)
    first, after = border[:-1], border[1:]
    return np.unique(np.concatenate((first, np.minimum(first + 1, after - 1), np.maximum(after - 2, first), after - 1)))


# Quantities of a picture: currents, supply and bus load over time, error episodes, and how long outputs took.


MOST_POINTS = 7_000
"""Points that all signals of a picture show together (our choice: about 0.25 MB of page)."""
LOAD_POINTS = 2_000
MOST_BURSTS = 1500
"""More error episodes than this are drawn several as one."""
BINS = 30
"""Bins of a distribution (our choice)."""


class PicturedSignals(NamedTuple):
    """The decoded signals that a picture shows, by path; absent where their message never came."""

    by_path: dict[str, Signal]
    most: int

    def series(self, reference: SignalReference | None) -> Series | None:
        """Return a signal thinned; None where the plan names none or it never came."""
        signal = self.by_path.get(reference.path) if reference is not None else None
        if signal is None or not len(signal):
            return None
        hold_s = Rhythm.of(signal.time_s).hold_s
        return series(signal.path, signal.time_s, signal.value, signal.line, most=self.most, hold_s=hold_s)


def pictured_signals(plan: Plan, trace: Trace, *, channel: str | None, share: float = 1.0) -> PicturedSignals:
    """Decode the currents and the supply of a plan, from the channel on which it was judged.

    ``share`` is the part of :data:`MOST_POINTS` that they may take.
    """
    wanted = {each.current.path: each.current for each in plan.outputs.values() if each.current is not None}
    if plan.controller.supply is not None:
        wanted[plan.controller.supply.path] = plan.controller.supply
    chosen = on_channel(trace, channel if channel is not None else plan.bus.channel)
    signals, _ = decoded(chosen, tuple(wanted.values())) if wanted else ({}, ())
    numbers = [len(turns(each.value)) for each in signals.values()]
    return PicturedSignals(signals, fair_share(numbers, round(MOST_POINTS * share)))


def series(name: str, time_s: Floats, value: Floats, line: Ints | None, *, most: int, hold_s: float = np.inf) -> Series:
    """Thin a column without losing a turn that can be seen; times that step backwards are held at the latest seen.

    Rows on a level stretch are left out, then all but the extremes of each bucket.

    Parameters
    ----------
    time_s, value, line
        float64, float64 and int64 (n,), n at least 1; ``line`` None where the values stand for no single line.
    most
        How many points it may have, at about; 4 at least.
    hold_s
        Rows further apart than this [s] are not joined: a nan stands between them.
    """
    time_s = np.maximum.accumulate(time_s)
    last = np.flatnonzero(np.diff(time_s) > hold_s)
    at = turns(value)
    number = len(at)
    at = np.union1d(at[extremes(value[at], buckets=max(most // 4, 1))], np.concatenate((last, last + 1)))
    behind = np.searchsorted(at, last) + 1
    lines = line[at] if line is not None else np.zeros(len(at), np.int64)
    known = value[~np.isnan(value)]
    return Series(
        name=name,
        time_s=np.insert(time_s[at], behind, time_s[last]),
        value=np.insert(value[at], behind, np.nan),
        line=np.insert(lines, behind, lines[behind - 1]),
        rows=len(value),
        left_out=max(0, number - len(at)),
        least=float(known.min()) if len(known) else np.nan,
        greatest=float(known.max()) if len(known) else np.nan,
    )


def currents(plan: Plan, signals: PicturedSignals) -> tuple[Current, ...]:
    """Return the currents of all outputs that report one."""
    found = ((each, signals.series(each.current)) for each in plan.outputs.values())
    return tuple(
        Current(output.name, own, output.continuous_a, output.peak_a, output.peak_s)
        for output, own in found
        if own is not None
    )


def supply(plan: Plan, signals: PicturedSignals) -> Supply | None:
    """Return the controller's supply, None where it reports none."""
    own = signals.series(plan.controller.supply)
    return None if own is None else Supply(own, plan.controller.supply_min_v)


def loads(evidence: Evidence, trace: Trace) -> tuple[Load, ...]:
    """Return the load of every channel whose bit rate is known and that is as long as a window."""
    several = len(trace.channels) > 1
    found = []
    for name, bus in evidence.buses.items():
        if bus.bit_rate is None or bus.bus_load is None:
            continue
        load = bus_load(
            trace,
            bit_rate=bus.bit_rate,
            data_bit_rate=evidence.plan.bus.data_bit_rate,
            channel=name if several else None,
            window_s=WINDOW_S,
        )
        if len(load.windows):
            most = LOAD_POINTS // len(evidence.buses)
            own = series(name, load.window_start_s, load.windows, None, most=most)
            found.append(Load(name, WINDOW_S, own))
    return tuple(found)


def bursts(evidence: Evidence) -> Bursts:
    """Return the error episodes; of very many, neighbours as one."""
    ledger = evidence.bus_evidence.errors
    if ledger is None or not len(ledger.episodes):
        nothing, none = np.zeros(0), np.zeros(0, np.int64)
        return Bursts(nothing, nothing, none, none, 0)
    own = ledger.episodes
    total = len(own)
    first = np.unique(np.linspace(0, total, min(total, MOST_BURSTS), endpoint=False).astype(np.intp))
    last = np.append(first[1:], total) - 1
    return Bursts(own.start_s[first], own.end_s[last], np.add.reduceat(own.number, first), own.line[first], total)


def latencies(evidence: Evidence) -> tuple[Latencies, ...]:
    """Return how long each output took to answer; only those of which an answer was timed, or missed, on the bus."""
    found = []
    for name, own in evidence.outputs.items():
        answers, within_s = own.answers, evidence.plan.outputs[name].within_s
        every_s = np.concatenate((answers.latency_s, answers.late_s))
        if own.judged_from != "bus" or not (len(every_s) or len(answers.unanswered)):
            continue
        greatest_s = float(every_s.max()) if len(every_s) else np.nan
        number, edge_s = np.histogram(every_s, bins=BINS, range=(0.0, float(np.fmax(greatest_s, within_s))))
        found.append(
            Latencies(
                output=name,
                within_s=within_s,
                answered_s=np.sort(answers.latency_s),
                late_s=np.sort(answers.late_s),
                edge_s=edge_s,
                number=number.astype(np.int64),
                unanswered=len(answers.unanswered),
                median_s=float(np.median(every_s)) if len(every_s) else np.nan,
                greatest_s=greatest_s,
            )
        )
    return tuple(found)
