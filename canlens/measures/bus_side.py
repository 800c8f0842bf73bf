"""Bus side: what a recording and the meter say of the bus itself, put together; the same for a job and for a survey."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.bus_evidence import BusEvidence
from canlens.measures.attribution import attribute
from canlens.measures.error_ledger import error_ledger
from canlens.measures.error_records import error_records
from canlens.measures.given_bit_rate import bit_rate_conflict
from canlens.measures.lone_sender import lone_sender
from canlens.measures.mapping import in_step
from canlens.measures.meter import judged_readings
from canlens.measures.meter_and_log import meter_and_log
from canlens.plan.rule import ON
from canlens.trace import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.database import Database
    from canlens.error_evidence import Identity
    from canlens.evidence import OutputEvidence
    from canlens.plan import Bus, Readings
    from canlens.results import BusResult, RecordingResult
    from canlens.signals import Floats
    from canlens.trace import Trace


def bus_side(
    trace: Trace,
    planned: Bus,
    *,
    database: Database,
    recording: RecordingResult,
    bus: BusResult,
    channel: str | None = None,
    outputs_on: Mapping[str, Floats] | None = None,
    readings: Readings | None = None,
) -> BusEvidence:
    """Put together what recording and meter say of the bus.

    Parameters
    ----------
    trace
        The whole recording.
    planned
        Bit rate and channel as given.
    database
        Tells which node sends what.
    recording, bus
        As measured already.
    channel
        The channel to look at; None: of several the one with most errors, and among equals the first.
    outputs_on
        float64 (k, 2) for each output: spans in which it was on [s].
    readings
        Of the meter.
    """
    name = channel or _worst_channel(trace)
    own = trace if name is None or len(trace.channels) <= 1 else trace.on_channel(name)
    bit_rate = bus.bit_rate
    ledger = error_ledger(own, channel=name, bit_rate=bit_rate)
    attribution = alone = None
    if ledger.frames:
        alone = lone_sender(own, error_records(own))
        attribution = attribute(own, senders=senders_of(database), outputs_on=outputs_on, bit_rate=bit_rate)
    frames = int(np.count_nonzero(own.kind != Kind.ERROR))
    judged = judged_readings(readings, bit_rate=bit_rate) if readings else ()
    return BusEvidence(
        recording=recording,
        bus=bus,
        frames=frames,
        errors=ledger,
        attribution=attribution,
        lone_sender=alone,
        bit_rate_conflict=bit_rate_conflict(own, planned.bit_rate),
        readings=judged,
        fused=meter_and_log(judged, ledger, attribution, frames=frames),
    )


def senders_of(database: Database) -> dict[Identity, str]:
    """Return the node that sends each identifier, of those that the database gives a sender."""
    return {(each.identifier, each.is_extended): each.senders[0] for each in database.messages if each.senders}


def on_spans(outputs: Mapping[str, OutputEvidence]) -> dict[str, Floats]:
    """Return for each output that the bus shows the spans in which it was on, float64 (k, 2) [s].

    It may have come on right after the row before the one that shows it. Outputs never seen apart share their spans.
    """
    tracks = {name: each.track for name, each in outputs.items() if each.track is not None and len(each.track.time_s)}
    spans: dict[str, Floats] = {}
    for name, track in tracks.items():
        is_on = track.state == ON
        stop_s = np.append(track.time_s[1:], track.end_s)
        start_s = np.maximum(track.before_s, track.time_s[0]) if track.slack_s else track.time_s
        spans[name] = np.column_stack([start_s[is_on], stop_s[is_on]])
    together = in_step(tracks, within_s={name: _within_s(outputs[name]) for name in tracks})
    return {name: np.concatenate([spans[each] for each in together[name]]) for name in tracks}


def _within_s(output: OutputEvidence) -> float:
    """Return the answer time of an output [s]."""
    return output.scenes[0].within_s if output.scenes else 0.0


def _worst_channel(trace: Trace) -> str | None:
    """Return the channel with most error records; None where there is only one."""
    if len(trace.channels) <= 1:
        return None
    errors = np.bincount(trace.channel[trace.kind == Kind.ERROR], minlength=len(trace.channels))
    return trace.channels[int(errors.argmax())]
