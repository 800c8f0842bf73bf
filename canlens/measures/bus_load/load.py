"""Load: the share of time for which frames hold the bus, counted to the bit, channel by channel."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from canlens import wire
from canlens.errors import UsageError
from canlens.measures.bus_load.bit_rate import inferred_bit_rate
from canlens.nouns.bus import BusResult
from canlens.results.survey import FormulaResult, RangeResult, SurveyBusResult
from canlens.trace import NANOSECONDS_PER_SECOND, Ints, Kind, Trace
from canlens.wire import ErrorClass

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from canlens.plan import Bus
    from canlens.signals import Floats
    from canlens.trace import Bools


ERROR_FRAME_CLASSES = ErrorClass.PROTOCOL | ErrorClass.NO_ACKNOWLEDGE | ErrorClass.BUS_ERROR
"""Classes of the error records that stand for an error frame on the bus; the others tell of a controller's state."""

BLOCK = 1 << 17
"""Frames that are looked at in one step."""
MOST_WINDOWS = 1_000_000
"""A recording of more windows (eleven days of seconds) has a stamp that is wrong, not a load worth plotting."""


@dataclass(frozen=True, eq=False)
class BusLoad:
    """Load of one channel. All loads are ratios and count the 3 bits of intermission after each frame.

    Attributes
    ----------
    bit_rate, data_bit_rate
        Rates it was reckoned with [bit/s]; None where the data bit rate is not known.
    busy_s
        float64 (n,): how long each row of the trace held the bus [s]; 0 for error records and other channels.
    span_s
        Length of the recording [s], from the start of its first frame to its last stamp. The time across a
        restart of the clock is not known and left out, as are frames that stand alone between two restarts; 0
        where nothing is left.
    mean
        Load over the whole recording; None where the recording has no length. Error records are not counted.
    window_s
        Width of a window [s].
    window_start_s
        float64 (k,): start of each window, since the recording's first stamp [s].
    windows
        float64 (k,): load in each whole window. None is cut short: what is left at the end counts in ``mean``
        only.
    with_errors
        ``mean`` if each error record that stands for an error frame took 14 bits, and if it took 20, with
        intermission. The destroyed part of the frame before it is not in the recording and not counted.
    note
        What makes ``mean`` uncertain, as a sentence; empty where nothing does.
    """

    bit_rate: float
    data_bit_rate: float | None
    busy_s: Floats
    span_s: float
    mean: float | None
    window_s: float
    window_start_s: Floats
    windows: Floats
    with_errors: RangeResult | None
    note: str

    @property
    def peak(self) -> float | None:
        """Load in the fullest window; ``mean`` where the recording is shorter than a window."""
        return float(self.windows.max()) if len(self.windows) else self.mean

    def percentile(self, percent: float) -> float | None:
        """Return the load that so many percent of the windows do not pass; ``mean`` where there is no window."""
        return float(np.percentile(self.windows, percent)) if len(self.windows) else self.mean

    def by_group(self, group: Ints) -> Floats:
        """Split ``mean`` over groups of frames: identifiers, or senders.

        Parameters
        ----------
        group
            int (n,): number of each row's group, from 0; negative where a row belongs to none.

        Returns
        -------
        float64
            Load of each group, by number; zero where the recording has no length.
        """
        is_in_group = group >= 0
        busy_s = np.bincount(group[is_in_group], self.busy_s[is_in_group])
        return busy_s / self.span_s if self.span_s > 0 else np.zeros(len(busy_s))


def busy_time(trace: Trace, *, bit_rate: float, data_bit_rate: float | None = None) -> Floats:
    """Compute how long each frame holds the bus: its exact bits and the 3 bits of intermission.

    Parameters
    ----------
    bit_rate, data_bit_rate
        Nominal and data bit rate [bit/s]. Without the latter all bits of a CAN FD frame count at the nominal
        rate.

    Returns
    -------
    float64 (n,)
        Time [s]; 0 for error records.
    """
    held = trace.exact_bits()
    np.add(held, wire.INTERMISSION_BITS, out=held, where=trace.kind != Kind.ERROR)
    at_data_rate = wire.data_rate_bits(trace) if data_bit_rate else 0
    return wire.frame_seconds(held, at_data_rate=at_data_rate, bit_rate=bit_rate, data_bit_rate=data_bit_rate)


def bus_load(
    trace: Trace,
    *,
    bit_rate: float,
    data_bit_rate: float | None = None,
    channel: str | None = None,
    window_s: float = 1.0,
) -> BusLoad:
    """Measure the load of one channel, over the whole recording and over windows.

    Parameters
    ----------
    trace
        The whole recording: its length counts, also where the channel is quiet.
    bit_rate, data_bit_rate
        Nominal and data bit rate of the channel [bit/s].
    channel
        Name of the channel; None takes all frames as those of one channel.
    window_s
        Width of the windows [s]. They follow each other from the start of the first frame, and anew where the
        clock restarted. A stamp counts as the end of its frame, and a frame across a border counts on both
        sides.

    Returns
    -------
    BusLoad
        Above 1 where the stamps contradict the bit rate: the frames would not have fitted.

    Raises
    ------
    UsageError
        A rate or the window is not above zero.
    """
    _require_positive("bit rate", bit_rate, "bit/s")
    _require_positive("window", window_s, "s")
    if data_bit_rate is not None:
        _require_positive("data bit rate", data_bit_rate, "bit/s")
    on_channel = np.ones(len(trace), np.bool_) if channel is None else trace.channel == _index(trace, channel)
    all_busy_s = busy_time(trace, bit_rate=bit_rate, data_bit_rate=data_bit_rate)
    busy_s = all_busy_s if channel is None else all_busy_s * on_channel
    span_s, window_start_s, windows = _over_time(trace, all_busy_s, busy_s, window_s=window_s)
    error_frames = int((_is_error_frame(trace) & on_channel).sum())
    low_s, high_s = (error_frames * (bits + wire.INTERMISSION_BITS) / bit_rate for bits in wire.ERROR_FRAME_BITS)
    total_s = float(busy_s.sum())
    return BusLoad(
        bit_rate=bit_rate,
        data_bit_rate=data_bit_rate,
        busy_s=busy_s,
        span_s=span_s,
        mean=total_s / span_s if span_s else None,
        window_s=window_s,
        window_start_s=window_start_s,
        windows=windows,
        with_errors=RangeResult((total_s + low_s) / span_s, (total_s + high_s) / span_s) if span_s else None,
        note=_note(trace, on_channel, data_bit_rate=data_bit_rate),
    )


def formula_loads(trace: Trace, load: BusLoad, *, channel: str | None = None) -> FormulaResult | None:
    """Compute what the closed formulas would have said instead of a load's ``mean``.

    Parameters
    ----------
    trace, load, channel
        The recording, its :func:`bus_load`, and the channel that was measured.

    Returns
    -------
    FormulaResult or None
        None where the recording has no length.
    """
    if not load.span_s:
        return None
    on_channel = np.ones(len(trace), np.bool_) if channel is None else trace.channel == _index(trace, channel)
    least_s, most_s = _formulas(trace, bit_rate=load.bit_rate, data_bit_rate=load.data_bit_rate)
    return FormulaResult(*(float(each[on_channel].sum()) / load.span_s for each in (least_s, most_s)))


def _require_positive(what: str, value: float, unit: str) -> None:
    """Refuse a quantity that is not above zero."""
    if not (value > 0 and np.isfinite(value)):
        raise UsageError(f"The {what} must be a number above 0 {unit}, found {value}.")


def _index(trace: Trace, channel: str) -> int:
    """Return the number of a channel, -1 where the recording has none of that name."""
    return trace.channels.index(channel) if channel in trace.channels else -1


def _segments(trace: Trace) -> Iterator[slice]:
    """Yield the rows between two restarts of the clock."""
    if len(trace):
        borders = [0, *(np.flatnonzero(np.diff(trace.segment)) + 1).tolist(), len(trace)]
        yield from (slice(first, last) for first, last in itertools.pairwise(borders))


def _over_time(trace: Trace, all_busy_s: Floats, busy_s: Floats, *, window_s: float) -> tuple[float, Floats, Floats]:
    """Return the length of the recording [s], the start of each window [s], and its load."""
    span_s = 0.0
    kept = 0
    starts: list[Floats] = [np.zeros(0)]
    windows: list[Floats] = [np.zeros(0)]
    for part in _segments(trace):
        first_ns, last_ns = int(trace.time_ns[part].min()), int(trace.time_ns[part].max())
        if first_ns == last_ns:
            continue
        start_s = _first_start(trace, part, first_ns, all_busy_s[part])
        length_s = (last_ns - trace.start_ns) / NANOSECONDS_PER_SECOND - start_s
        span_s += length_s
        number = int(length_s / window_s + 1e-9)
        ends = ((end_s - start_s, busy_s[rows]) for rows, end_s in _ends(trace, part))
        is_likely = kept + number <= MOST_WINDOWS
        load = _windows(ends, number, window_s=window_s) if is_likely else np.zeros(0)
        kept += len(load)
        windows.append(load)
        starts.append(np.asarray(start_s + window_s * np.arange(len(load)), np.float64))
    return span_s, np.concatenate(starts), np.concatenate(windows)


def _first_start(trace: Trace, part: slice, first_ns: int, busy_s: Floats) -> float:
    """Return when the first frame of a part began [s]; only frames that end soon after the first may be it."""
    soon_ns = first_ns + math.ceil(float(busy_s.max()) * NANOSECONDS_PER_SECOND)
    early = np.flatnonzero(trace.time_ns[part] <= soon_ns)
    end_s = (trace.time_ns[part][early] - trace.start_ns) / NANOSECONDS_PER_SECOND
    return float((end_s - busy_s[early]).min())


def _ends(trace: Trace, part: slice) -> Iterator[tuple[slice, Floats]]:
    """Yield some rows of a recording a block at a time, with their stamps since its first frame [s]."""
    for first in range(part.start, part.stop, BLOCK):
        rows = slice(first, min(first + BLOCK, part.stop))
        yield rows, (trace.time_ns[rows] - trace.start_ns) / NANOSECONDS_PER_SECOND


def _windows(ends: Iterable[tuple[Floats, Floats]], number: int, *, window_s: float) -> Floats:
    """Compute the load of each whole window from the time at which each frame ended and for how long it ran [s]."""
    held_s = np.zeros(number + 1)
    for end_s, busy_s in ends:
        window = np.minimum((end_s / window_s).astype(np.int64), number)
        held_s += np.bincount(window, busy_s, minlength=number + 1)
        across = np.flatnonzero(end_s - window * window_s < busy_s)
        over_s = busy_s[across] - (end_s[across] - window[across] * window_s)
        np.subtract.at(held_s, window[across], over_s)
        np.add.at(held_s, np.maximum(window[across] - 1, 0), over_s)
    return np.asarray(held_s[:number] / window_s, np.float64)


def _formulas(trace: Trace, *, bit_rate: float, data_bit_rate: float | None) -> tuple[Floats, Floats]:
    """Return how long each frame would hold the bus without stuff bits, and at the worst [s]."""
    least, most = wire.frame_bounds(trace)
    is_frame = trace.kind != Kind.ERROR
    is_switched = wire.is_fd_on_wire(trace) & trace.bit_rate_switch & is_frame
    at_data_rate = wire.unstuffed_data_rate_bits(wire.length_on_wire(trace)) * is_switched
    least_s, most_s = (
        wire.frame_seconds(
            bits + wire.INTERMISSION_BITS * is_frame,
            at_data_rate=at_data_rate,
            bit_rate=bit_rate,
            data_bit_rate=data_bit_rate,
        )
        for bits in (least, most)
    )
    return least_s, most_s


def _is_error_frame(trace: Trace) -> Bools:
    """Tell which error records stand for an error frame on the bus; one without classes does."""
    classes = trace.identifier
    stands_for_one = ((classes & int(ERROR_FRAME_CLASSES)) != 0) | (classes == 0)
    is_error_frame: Bools = (trace.kind == Kind.ERROR) & stands_for_one
    return is_error_frame


def _note(trace: Trace, on_channel: Bools, *, data_bit_rate: float | None) -> str:
    """Say what makes the load uncertain."""
    is_switched = wire.is_fd_on_wire(trace) & trace.bit_rate_switch & (trace.kind != Kind.ERROR) & on_channel
    if data_bit_rate is None and is_switched.any():
        return (
            f"{int(is_switched.sum())} CAN FD frames switch to a data bit rate that is not known; their bits count "
            "at the nominal one, so the true load is lower."
        )
    return ""


# Bus: bit rate and load of each channel, as results show them.


WINDOW_S = 1.0
"""Width of the windows whose highest load is the peak [s]."""


def bus_of(trace: Trace, planned: Bus, *, chosen: str | None) -> tuple[BusResult, dict[str, BusResult]]:
    """Measure the load of every channel.

    Parameters
    ----------
    planned
        Its bit rates, where given, hold for every channel.
    chosen
        The channel to put first; None: the first in the log.

    Returns
    -------
    BusResult
        Of the chosen channel.
    dict
        Of all channels by name as written; empty for a recording without frames.
    """
    several = len(trace.channels) > 1
    names = trace.channels if len(trace) else ()
    every = {name: _measured(trace, planned, channel=name if several else None)[0] for name in names}
    if not every:
        return BusResult(planned.bit_rate, "given" if planned.bit_rate else "unknown", None, None, WINDOW_S), {}
    return every.get(chosen or "", next(iter(every.values()))), every


def _measured(trace: Trace, given: Bus, *, channel: str | None) -> tuple[BusResult, str, BusLoad | None]:
    """Measure one channel, say why its bit rate is known or not, and return its load; None takes all as one."""
    bit_rate, because = given.bit_rate, "as given"
    if bit_rate is None:
        bit_rate, because = inferred_bit_rate(trace if channel is None else trace.on_channel(channel))
    if bit_rate is None:
        return BusResult(None, "unknown", None, None, WINDOW_S), because, None
    load = bus_load(trace, bit_rate=bit_rate, data_bit_rate=given.data_bit_rate, channel=channel, window_s=WINDOW_S)
    source: Literal["given", "inferred"] = "given" if given.bit_rate else "inferred"
    return BusResult(round(bit_rate), source, load.mean, load.peak, WINDOW_S), because, load


# Channel loads: bit rate and load of every channel in full, with what closed formulas would have said.


PERCENTS = (50, 90, 95, 99)
"""Percentiles of the windows' loads that are shown."""


@dataclass(frozen=True, eq=False)
class ChannelLoad:
    """Bit rate and load of one channel: as shown, and over time (None where the bit rate is not known)."""

    shown: SurveyBusResult
    load: BusLoad | None


def channel_loads(trace: Trace, given: Bus) -> dict[str, ChannelLoad]:
    """Measure every channel of a recording, by name as written; a given bit rate holds for all of them."""
    several = len(trace.channels) > 1
    return {name: _channel_load(trace, given, channel=name if several else None) for name in trace.channels}


def _channel_load(trace: Trace, given: Bus, *, channel: str | None) -> ChannelLoad:
    """Measure one channel in full; None takes the whole recording as one."""
    bus, because, load = _measured(trace, given, channel=channel)
    shown = SurveyBusResult(**vars(bus), bit_rate_because=because)
    if load is None:
        return ChannelLoad(shown, None)
    percentiles = {str(percent): load.percentile(percent) for percent in PERCENTS}
    shown = replace(
        shown,
        percentiles={percent: value for percent, value in percentiles.items() if value is not None},
        formulas=formula_loads(trace, load, channel=channel),
        with_errors=load.with_errors,
        note=load.note,
    )
    return ChannelLoad(shown, load)
