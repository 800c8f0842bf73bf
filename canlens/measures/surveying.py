"""Surveying: a recording in, all that its bus shows out; the one place that calls every measure of a survey."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import Evidence
from canlens.measures.bus import WINDOW_S
from canlens.measures.bus_side import bus_side
from canlens.measures.channel_loads import channel_loads
from canlens.measures.definitions import definition_side
from canlens.measures.gathering import on_channel
from canlens.measures.messages import message_side
from canlens.measures.parameter_groups import matched_by_group
from canlens.measures.quality import recording
from canlens.results import BusResult
from canlens.trace import Kind

if TYPE_CHECKING:
    from canlens.measures.bus_load import BusLoad
    from canlens.measures.channel_loads import ChannelLoad
    from canlens.plan import Plan
    from canlens.signals import Floats
    from canlens.streams import Streams
    from canlens.trace import Ints, Trace


@dataclass(frozen=True, eq=False)
class Surveyed:
    """All that was measured of a bus.

    Attributes
    ----------
    evidence
        For checks and causes.
    loads
        Load of every channel in full, by name.
    streams
        The frames by channel and identifier.
    numbers
        int64 (n,): number of the stream of each row of the recording; -1 where it has none.
    """

    evidence: Evidence
    loads: dict[str, ChannelLoad]
    streams: Streams
    numbers: Ints

    def shares(self, load: BusLoad) -> Floats:
        """Split a load over the streams, float64 (g,); 0 for those of another channel."""
        return load.by_group(self.numbers)


def surveyed(trace: Trace, plan: Plan) -> Surveyed:
    """Measure the bus of one recording.

    Parameters
    ----------
    trace
        The recording.
    plan
        Of it only the bus and the database are used.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel.
    """
    chosen = on_channel(trace, plan.bus.channel)
    plan, by_group = matched_by_group(plan, chosen)
    loads = channel_loads(trace, plan.bus)
    found, quiet, sorted_frames = message_side(chosen, plan.database)
    buses = {name: load.result for name, load in loads.items()}
    bus = buses.get(plan.bus.channel or "", next(iter(buses.values()), _unmeasured(plan)))
    described = recording(trace, plan.database)
    frames = int((chosen.kind != Kind.ERROR).sum())
    evidence = Evidence(
        plan=plan,
        recording=described,
        bus=bus,
        buses=buses,
        frames=frames,
        missing_messages=(),
        controller_seen=None,
        controls={},
        outputs={},
        bus_evidence=replace(
            bus_side(trace, plan.bus, database=plan.database, recording=described, bus=bus, channel=plan.bus.channel),
            intervals=found,
            definitions=definition_side(plan, chosen, by_group),
            quiet=quiet,
        ),
    )
    return Surveyed(evidence, loads, sorted_frames, _numbers(trace, chosen, sorted_frames))


def _numbers(trace: Trace, chosen: Trace, found: Streams) -> Ints:
    """Bring the numbers of the streams from the chosen channel's rows to those of the whole recording."""
    if chosen is trace:
        return found.number
    out = np.full(len(trace), -1, np.int64)
    out[trace.channel == chosen.channel[0]] = found.number
    return out


def _unmeasured(plan: Plan) -> BusResult:
    """Return the load of a recording without channels."""
    return BusResult(plan.bus.bit_rate, "given" if plan.bus.bit_rate else "unknown", None, None, WINDOW_S)
