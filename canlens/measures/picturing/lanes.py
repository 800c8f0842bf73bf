"""Lanes of a picture: every step of controls and outputs, every exercise and its answer, recording by recording."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypedDict

import numpy as np

from canlens.measures.outputs.exercises import crossings
from canlens.measures.picturing.comparisons import interval_rows
from canlens.measures.picturing.quantities import (
    bursts,
    currents,
    edges,
    fair_share,
    latencies,
    loads,
    pictured_signals,
    supply,
)
from canlens.measures.picturing.quoting import quoted
from canlens.nouns.outputs import Track
from canlens.nouns.pictures import Drawn, DrawnRecording, Joins, OddMoments, Shade, StepLane
from canlens.plan.nouns import REST
from canlens.trace import NANOSECONDS_PER_SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from canlens.nouns.outputs import Answers, ControlEvidence, Evidence, OutputEvidence, Places
    from canlens.nouns.pictures import Outcome, ShadeKind
    from canlens.plan.rule import States
    from canlens.results.finding import Finding
    from canlens.signals import Floats
    from canlens.trace import Ints, Rows, Trace


# Lanes of a picture: every step of controls and outputs, every exercise and its answer, and what could not be seen.


MOST_STEPS = 18_000
"""Places that all lanes of a picture show together; below it none is left out (our choice: about 0.6 MB of page)."""
FEWEST_STEPS = 100
SAME_S = 1e-6
"""A step within this time of where an answer is said to be is that answer [s]."""


def step_lanes(evidence: Evidence, *, most: int = MOST_STEPS) -> tuple[StepLane, ...]:
    """Return the lanes of a recording: controls, then outputs, in plan order.

    An output that nothing on the bus shows has a lane without steps. Where the steps of all lanes are more than
    ``most``, the lanes with more than their equal share are thinned, see :func:`.thinning.edges`.
    """
    numbers = [len(each.track.time_s) for each in evidence.controls.values()]
    numbers += [len(each.track.time_s) for each in evidence.outputs.values() if each.track is not None]
    allowed = max(fair_share(numbers, most), FEWEST_STEPS)
    controls = [
        StepLane(
            name=name,
            kind="control",
            **_steps(each.track, None, most=allowed),
            exercises=len(each.exercises),
            marked_s=each.marked if each.marked is not None else np.zeros(0),
        )
        for name, each in evidence.controls.items()
    ]
    outputs = [
        StepLane(
            name=name,
            kind="output",
            **_steps(each.track or Track.empty(0.0), each.answers, most=allowed),
            exercises=len(each.answers.due),
            marked_s=np.zeros(0),
        )
        for name, each in evidence.outputs.items()
    ]
    return (*controls, *outputs)


class _Columns(TypedDict):
    """The columns of a lane that come from a track."""

    time_s: Floats
    state: States
    line: Ints
    latency_s: Floats
    changes: int


def _steps(track: Track, answers: Answers | None, *, most: int) -> _Columns:
    """Return the steps of a track that are drawn, and which of them answer an exercise."""
    number = len(track.time_s)
    latency_s = np.full(number, np.nan)
    for steps, timed_s in ((answers.answered, answers.latency_s), (answers.late, answers.late_s)) if answers else ():
        if number and len(timed_s) == len(steps):
            at = np.minimum(np.searchsorted(track.time_s, steps.time_s + timed_s - SAME_S), number - 1)
            fits = np.abs(track.time_s[at] - steps.time_s - timed_s) <= SAME_S
            latency_s[at[fits]] = timed_s[fits]
    at = edges(number, most=most)
    return {
        "time_s": track.time_s[at],
        "state": track.state[at],
        "line": track.line[at],
        "latency_s": latency_s[at],
        "changes": number,
    }


def joins(evidence: Evidence) -> tuple[Joins, ...]:
    """Return every exercise of every output's rule by its outcome; only outcomes that happened."""
    return tuple(
        each
        for name, own in evidence.outputs.items()
        for each in _joins(
            own, {mover: evidence.controls[mover] for mover in evidence.plan.outputs[name].when.controls}
        )
    )


def _joins(own: OutputEvidence, controls: Mapping[str, ControlEvidence]) -> Iterator[Joins]:
    """Yield the exercises of one output; ``controls`` are those of its rule."""
    found = own.answers
    every: tuple[tuple[Outcome, Places, Floats | None], ...] = (
        ("answered", found.answered, found.latency_s),
        ("late", found.late, found.late_s),
        ("unanswered", found.unanswered, None),
        ("too-short", found.too_short, None),
        ("still-on", found.held, None),
    )
    for outcome, steps, timed_s in every:
        if not len(steps):
            continue
        is_timed = timed_s is not None and len(timed_s) == len(steps)
        latency_s = timed_s if timed_s is not None and is_timed else np.full(len(steps), np.nan)
        yield Joins(own.name, outcome, steps.time_s, steps.line, latency_s, _movers(steps, controls))


def _movers(steps: Places, controls: Mapping[str, ControlEvidence]) -> tuple[str, ...]:
    """Name the control whose step began each exercise: the one with a step at that very time."""
    movers = np.full(len(steps), -1)
    names = list(controls)
    for number, own in enumerate(controls.values()):
        times_s = own.track.time_s
        if len(times_s):
            at = np.minimum(np.searchsorted(times_s, steps.time_s), len(times_s) - 1)
            movers[(times_s[at] == steps.time_s) & (movers < 0)] = number
    return tuple(names[number] if number >= 0 else "" for number in movers.tolist())


def moments(evidence: Evidence) -> tuple[OddMoments, ...]:
    """Return where outputs rose unasked, or fell though nothing explains it."""
    found = []
    for name, own in evidence.outputs.items():
        unasked, dropped = own.answers.unasked, own.dropped
        found.append(OddMoments(name, "unasked", unasked.time_s, unasked.line))
        found.append(OddMoments(name, "dropped", dropped.time_s, dropped.line))
    return tuple(each for each in found if len(each.time_s))


def shades(evidence: Evidence, trace: Trace | None = None) -> tuple[Shade, ...]:
    """Return the stretches that bear on what can be seen.

    Those in which the bus was silent, a channel stopped, the controller was away or nothing was touched come from the
    evidence; where lines could not be read and where the clock started anew, from the recording.
    """
    quiet, supply = evidence.bus_evidence.quiet, evidence.supply
    spans: dict[ShadeKind, list[tuple[float, float]]] = {
        "bus-silent": [(each.silent_from_s, each.first.time_s) for each in quiet.wakes] if quiet else [],
        "channel-stopped": [(each.from_s, each.to_s) for each in quiet.stops] if quiet else [],
        "controller-away": [(float(start), float(stop)) for start, stop in supply.restarts_s] if supply else [],
        "rest": _rests(evidence),
    }
    if trace is not None and len(trace):
        lines = np.array([each.line for each in trace.problems if each.line], np.int64)
        spans["unread-lines"] = _between(trace, np.searchsorted(trace.line, lines))
        spans["clock-restart"] = _between(trace, np.flatnonzero(np.diff(trace.segment)) + 1)
    return tuple(
        Shade(kind, np.array([start for start, _ in own]), np.array([stop for _, stop in own]))
        for kind, own in spans.items()
        if own
    )


def _rests(evidence: Evidence) -> list[tuple[float, float]]:
    """Return the slots in which the marks say that nothing was touched, in the log's seconds."""
    offset_s = evidence.marks_offset_s
    return [
        (each.time_s + offset_s, each.until_s + offset_s)
        for each in evidence.marks
        if each.label == REST and each.until_s is not None
    ]


def _between(trace: Trace, rows: Rows) -> list[tuple[float, float]]:
    """Return the span from the frame before each row to the frame there [s], the earlier time first."""
    last = len(trace) - 1
    around = np.stack((trace.time_ns[np.clip(rows - 1, 0, last)], trace.time_ns[np.clip(rows, 0, last)]))
    spans = np.sort((around - trace.start_ns) / NANOSECONDS_PER_SECOND, axis=0)
    return list(zip(spans[0].tolist(), spans[1].tolist(), strict=True))


# Recordings of a job as pages show them.


def drawn(
    evidence: Sequence[Evidence],
    findings: Iterable[Finding],
    traces: Sequence[Trace] = (),
    *,
    channel: str | None = None,
) -> Drawn:
    """Prepare all that a page shows besides a result.

    Parameters
    ----------
    evidence
        Of each recording.
    findings
        Those whose frames are quoted.
    traces
        The recordings in the same order; without them nothing is quoted, and currents, supply and load are not drawn.
    channel
        As it was given when they were judged.
    """
    plan, intervals = evidence[-1].plan, evidence[-1].bus_evidence.intervals
    return Drawn(
        recordings=drawn_recordings(evidence, traces, channel=channel),
        crossings=tuple(map(crossings, evidence)),
        intervals=interval_rows(intervals),
        messages=sum(each.interval is not None for each in intervals),
        quotes={
            each: quoted(traces[each.evidence.recording], plan, each)
            for each in findings
            if each.evidence.lines and each.evidence.recording < len(traces)
        },
    )


def drawn_recordings(
    evidence: Sequence[Evidence], traces: Sequence[Trace] = (), *, channel: str | None = None
) -> tuple[DrawnRecording, ...]:
    """Prepare the pictures of all recordings of a job, in order; see :func:`drawn_recording`. They share the room."""
    share = 1 / max(len(evidence), 1) if traces else 1.0
    given: Sequence[Trace | None] = traces or [None] * len(evidence)
    pairs = zip(evidence, given, strict=True)
    return tuple(drawn_recording(each, trace, channel=channel, share=share) for each, trace in pairs)


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
