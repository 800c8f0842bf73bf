"""Bus: bit rate and load of each channel, as results show them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.bit_rate import inferred_bit_rate
from canlens.measures.bus_load import bus_load
from canlens.results import BusResult

if TYPE_CHECKING:
    from canlens.plan import Bus
    from canlens.trace import Trace

WINDOW_S = 1.0
"""Width of the windows whose highest load is the peak [s]."""


def bus_of(trace: Trace, planned: Bus, *, chosen: str | None) -> tuple[BusResult, dict[str, BusResult]]:
    """Measure the load of every channel.

    Parameters
    ----------
    trace
        The whole recording.
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
    every = {name: _channel(trace, planned, channel=name if several else None) for name in trace.channels if len(trace)}
    if not every:
        return BusResult(planned.bit_rate, "given" if planned.bit_rate else "unknown", None, None, WINDOW_S), {}
    return every.get(chosen or "", next(iter(every.values()))), every


def _channel(trace: Trace, planned: Bus, *, channel: str | None) -> BusResult:
    """Measure one channel; None takes the whole recording as one."""
    bit_rate = planned.bit_rate
    if bit_rate is None:
        bit_rate = inferred_bit_rate(trace if channel is None else trace.on_channel(channel)).bit_rate
        if bit_rate is None:
            return BusResult(None, "unknown", None, None, WINDOW_S)
    load = bus_load(trace, bit_rate=bit_rate, data_bit_rate=planned.data_bit_rate, channel=channel, window_s=WINDOW_S)
    return BusResult(round(bit_rate), "given" if planned.bit_rate else "inferred", load.mean, load.peak, WINDOW_S)
