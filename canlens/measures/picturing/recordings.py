"""Recordings of a job as pictures show them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.picturing.lanes import MOST_STEPS, joins, moments, shades, step_lanes
from canlens.measures.picturing.quantities import bursts, currents, latencies, loads, pictured_signals, supply
from canlens.picture_evidence import DrawnRecording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.evidence import Evidence
    from canlens.trace import Trace


def drawn_recordings(
    evidence: Sequence[Evidence], traces: Sequence[Trace], *, channel: str | None = None
) -> tuple[DrawnRecording, ...]:
    """Prepare the pictures of all recordings of a job, in order; see :func:`drawn_recording`. They share the room."""
    share = 1 / max(len(evidence), 1)
    return tuple(
        drawn_recording(each, trace, channel=channel, share=share) for each, trace in zip(evidence, traces, strict=True)
    )


def drawn_recording(
    evidence: Evidence, trace: Trace | None = None, *, channel: str | None = None, share: float = 1.0
) -> DrawnRecording:
    """Prepare the pictures of one recording; only called where pictures are asked for.

    Parameters
    ----------
    evidence
        What was measured: lanes, exercises, errors and latencies come from it.
    trace
        The recording itself, from which currents, supply and load are measured once more; None where it is no longer
        at hand: then these are left out.
    channel
        As it was given when the recording was judged.
    share
        What part of the room of a page it may take: 1 or less.
    """
    signals = pictured_signals(evidence.plan, trace, channel=channel, share=share) if trace is not None else None
    ledger = evidence.bus_evidence.errors
    return DrawnRecording(
        start=evidence.recording.start,
        duration_s=evidence.recording.duration_s,
        lanes=step_lanes(evidence, most=round(MOST_STEPS * share)),
        joins=joins(evidence),
        moments=moments(evidence),
        shades=shades(evidence, trace),
        currents=currents(evidence.plan, signals) if signals is not None else (),
        supply=supply(evidence.plan, signals) if signals is not None else None,
        loads=loads(evidence, trace) if trace is not None else (),
        errors=bursts(evidence),
        errors_recorded=ledger.recorded if ledger is not None else evidence.recording.error_frames_recorded,
        latencies=latencies(evidence),
    )
