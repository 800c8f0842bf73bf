"""Channel loads: bit rate and load of every channel in full, with what closed formulas would have said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from canlens.measures.bit_rate import inferred_bit_rate
from canlens.measures.bus import WINDOW_S
from canlens.measures.bus_load import bus_load, formula_loads
from canlens.results import BusResult

if TYPE_CHECKING:
    from canlens.measures.bus_load import BusLoad
    from canlens.plan import Bus
    from canlens.trace import Trace


@dataclass(frozen=True, eq=False)
class ChannelLoad:
    """Bit rate and load of one channel.

    Attributes
    ----------
    bit_rate, source, because
        Bit rate [bit/s] and where it comes from; None where it is not known, and why.
    load
        Load over time; None where the bit rate is not known.
    formulas
        Mean load without stuff bits, and at the worst; None where there is no load.
    """

    bit_rate: int | None
    source: Literal["given", "inferred", "unknown"]
    because: str
    load: BusLoad | None
    formulas: tuple[float, float] | None

    @property
    def result(self) -> BusResult:
        """What every result shows of it."""
        if self.load is None:
            return BusResult(self.bit_rate, self.source, None, None, WINDOW_S)
        return BusResult(self.bit_rate, self.source, self.load.mean, self.load.peak, WINDOW_S)


def channel_loads(trace: Trace, given: Bus) -> dict[str, ChannelLoad]:
    """Measure every channel of a recording, by name as written; a given bit rate holds for all of them."""
    several = len(trace.channels) > 1
    return {name: _channel_load(trace, given, channel=name if several else None) for name in trace.channels}


def _channel_load(trace: Trace, given: Bus, *, channel: str | None) -> ChannelLoad:
    """Measure one channel; None takes the whole recording as one."""
    bit_rate, because = given.bit_rate, "as given"
    if bit_rate is None:
        bit_rate, because = inferred_bit_rate(trace if channel is None else trace.on_channel(channel))
    if bit_rate is None:
        return ChannelLoad(None, "unknown", because, None, None)
    load = bus_load(trace, bit_rate=bit_rate, data_bit_rate=given.data_bit_rate, channel=channel, window_s=WINDOW_S)
    formulas = formula_loads(trace, load, channel=channel)
    return ChannelLoad(bit_rate, "given" if given.bit_rate else "inferred", because, load, formulas)
