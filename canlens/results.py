"""Results: the classes whose fields are the keys of ``canlens/check/1``.

Every class here is written to JSON field by field (see :mod:`canlens.reports.json_form`), and the published JSON Schema is
generated from it: a field added here is a key added there. ``*_s`` times count from the recording's first frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from canlens.findings import Cause, Finding

Verdict = Literal["proven", "failed", "not-proven"]
LinkState = Literal["seen", "broken", "cannot-tell"]
Quality = Literal["good", "usable", "poor"]
Recorded = Literal["yes", "no", "unknown"]

LINKS = (
    "traffic",
    "control-message",
    "control-change",
    "controller",
    "noticed",
    "commanded",
    "output",
    "load",
    "release",
)
"""The nine links of the chain from the bus to the load, in the order in which they are tested."""


@dataclass(frozen=True)
class ProblemRow:
    """One kind of unusable line: where it first stood, what was found, what was expected, how often."""

    line: int
    found: str
    expected: str
    count: int


@dataclass(frozen=True)
class RecordingResult:
    """What was read; ``start`` is the stamp of the first frame [s], null for an empty recording."""

    file: str
    sha256: str
    format: str
    start: float | None
    duration_s: float
    frames: int
    channels: tuple[str, ...]
    error_frames: int
    error_frames_recorded: Recorded
    quality: Quality
    quality_reasons: tuple[str, ...]
    problem_count: int
    problems: tuple[ProblemRow, ...]
    database_problems: tuple[ProblemRow, ...] = ()


@dataclass(frozen=True)
class BusResult:
    """Load of one channel; ratios count stuff bits and the 3 bits of intermission; null where the bit rate is unknown."""

    bit_rate: int | None
    bit_rate_source: Literal["given", "inferred", "unknown"]
    bus_load: float | None
    bus_load_peak: float | None
    window_s: float


@dataclass(frozen=True)
class ControlResult:
    """How often a control was operated; times of the first and last exercise [s], null where there was none."""

    signal: str
    exercises: int
    first_s: float | None
    last_s: float | None
    marked: int | None = None


@dataclass(frozen=True)
class LatencyResult:
    """Control edge to the output edge that answers it [s]; null where nothing was answered."""

    median: float | None
    max: float | None


@dataclass(frozen=True)
class OutputResult:
    """What became of one output of the plan; ``links`` is keyed by :data:`LINKS`."""

    verdict: Verdict
    reason: str
    planned: str
    observed: str | None
    also_fits: tuple[str, ...]
    next_exercise: str | None
    due: int
    answered: int
    late: int
    unasked: int
    too_short: int
    latency_s: LatencyResult
    links: dict[str, LinkState]
    first_broken_link: str | None
    judged_from: Literal["bus", "observed", "nothing"] = "bus"


@dataclass(frozen=True)
class CheckResult:
    """All of ``canlens check``: the answer first, then what it rests on.

    ``recording`` of a job with several logs is written as ``recordings``; ``buses`` is written where there are
    several channels.
    """

    verdict: Verdict
    title: str
    recordings: tuple[RecordingResult, ...]
    buses: dict[str, BusResult]
    bus: BusResult
    controls: dict[str, ControlResult]
    outputs: dict[str, OutputResult]
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
