"""Quantities of a picture: currents, supply and bus load over time, error episodes, and how long outputs took."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from canlens.measures.bus import WINDOW_S
from canlens.measures.bus_load import bus_load
from canlens.measures.gathering import decoded, on_channel
from canlens.measures.picturing.thinning import extremes, fair_share, turns
from canlens.measures.tracks import Rhythm
from canlens.picture_evidence import Bursts, Current, Latencies, Load, Series, Supply

if TYPE_CHECKING:
    from canlens.evidence import Evidence
    from canlens.plan import Plan, SignalReference
    from canlens.signals import Floats, Signal
    from canlens.trace import Ints, Trace

MOST_POINTS = 7_000
"""Points that all signals of a picture show together (our choice: about 0.25 MB of page)."""
LOAD_POINTS = 2_000
MOST_BURSTS = 1500
"""More error episodes than this are drawn several as one."""
BINS = 30
"""Bins of a distribution (our choice)."""


class Signals(NamedTuple):
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


def pictured_signals(plan: Plan, trace: Trace, *, channel: str | None, share: float = 1.0) -> Signals:
    """Decode the currents and the supply of a plan, from the channel on which it was judged.

    ``share`` is the part of :data:`MOST_POINTS` that they may take.
    """
    wanted = {each.current.path: each.current for each in plan.outputs.values() if each.current is not None}
    if plan.controller.supply is not None:
        wanted[plan.controller.supply.path] = plan.controller.supply
    chosen = on_channel(trace, channel if channel is not None else plan.bus.channel)
    signals, _ = decoded(chosen, tuple(wanted.values())) if wanted else ({}, ())
    numbers = [len(turns(each.value)) for each in signals.values()]
    return Signals(signals, fair_share(numbers, round(MOST_POINTS * share)))


def series(name: str, time_s: Floats, value: Floats, line: Ints | None, *, most: int, hold_s: float = np.inf) -> Series:
    """Thin a column without losing a turn that can be seen; times that step backwards are held at the latest seen.

    Rows on a level stretch are left out, then all but the extremes of each bucket.

    Parameters
    ----------
    name
        What it is.
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


def currents(plan: Plan, signals: Signals) -> tuple[Current, ...]:
    """Return the currents of all outputs that report one."""
    found = ((each, signals.series(each.current)) for each in plan.outputs.values())
    return tuple(
        Current(output.name, own, output.continuous_a, output.peak_a, output.peak_s)
        for output, own in found
        if own is not None
    )


def supply(plan: Plan, signals: Signals) -> Supply | None:
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
