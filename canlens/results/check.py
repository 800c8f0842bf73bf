"""Results of a check: the classes whose fields are the keys of ``canlens/check/1``.

Every class here is written to JSON field by field by :func:`to_dict`, and the published JSON Schema is
generated from it: a field added here is a key added there. ``*_s`` times count from the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from canlens.nouns.bus import BusResult, RecordingResult
from canlens.results.finding import Cause, Finding
from canlens.results.form import Json, document, plain

CHECK_SCHEMA = "canlens/check/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

Verdict = Literal["proven", "failed", "not-proven"]
LinkState = Literal["seen", "broken", "cannot-tell"]

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
class ControlResult:
    """How often a control was operated, and when first and last [s]; null where it never was."""

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
class SeenResult:
    """How an output follows the rule it was observed to follow: measured, not planned.

    ``explained`` of ``exercises`` agree with the rule. ``coincidence`` is the chance that something unrelated would
    agree as well. ``latching``: on by one exercise, off by the next. What was not seen, or not always alike, is null.
    """

    explained: int = 0
    exercises: int = 0
    coincidence: float | None = None
    latching: bool = False
    latency_s: LatencyResult = LatencyResult(None, None)
    run_on_s: float | None = None
    cut_off_s: float | None = None
    level_day: float | None = None
    level_night: float | None = None
    flash_hz: float | None = None


@dataclass(frozen=True)
class OutputResult:
    """What became of one output of the plan; ``links`` and ``links_evidence`` are keyed by :data:`LINKS`.

    ``untested_rows`` are the settings of its controls in which it was never seen settled. ``links_evidence`` names the
    first lines of the log that show a link seen or broken, where there are such lines. ``decided_by`` names the
    recordings that decided.
    """

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
    load: str = ""
    observed_how: SeenResult = SeenResult()
    untested_rows: tuple[str, ...] = ()
    links_evidence: dict[str, tuple[int, ...]] = field(default_factory=dict)
    decided_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class RestResult:
    """How the bus fell asleep, in the last recording of the job [s]; null where it is not known or not planned.

    ``off_s`` is when the control that keeps the bus awake went off for the last time, ``allowed_s`` how long the bus
    may stay awake after it. ``last_message`` is a name of the database, else the identifier.
    """

    off_s: float | None
    last_change_s: float | None
    last_frame_s: float | None
    last_message: str | None
    last_sender: str | None
    allowed_s: float | None


@dataclass(frozen=True)
class FitResult:
    """How many messages the plan needs, and how many of them the recordings hold."""

    messages: int
    seen: int


@dataclass(frozen=True)
class CheckResult:
    """All of ``canlens check``: the answer first, then what it rests on.

    ``next_exercises`` would turn every output that is not proven into an answer.
    ``recording`` of a job with several logs is written as ``recordings``; ``buses`` is written where there
    are several channels.
    """

    verdict: Verdict
    title: str
    recordings: tuple[RecordingResult, ...]
    bus: BusResult
    buses: dict[str, BusResult]
    controls: dict[str, ControlResult]
    outputs: dict[str, OutputResult]
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    next_exercises: tuple[str, ...] = ()
    fit: FitResult | None = None
    quiet: RestResult | None = None


def to_dict(result: CheckResult) -> dict[str, Json]:
    """Return the written form of a result: what ``canlens check --json`` writes.

    Returns
    -------
    dict
        JSON values only: tuples are lists, and what is not finite (``inf``, ``nan``) is null. One recording
        stands under ``recording``, several under ``recordings``; ``buses`` is there where there are several
        channels.
    """
    several = len(result.recordings) != 1
    form = document(CHECK_SCHEMA, result)
    if len(result.buses) <= 1:
        del form["buses"]
    form["findings"] = finding_forms(result.findings, several=several)
    if several:
        return form
    one = {"recordings": ("recording", plain(result.recordings[0]))}
    return dict(one.get(key, (key, value)) for key, value in form.items())


def finding_forms(findings: tuple[Finding, ...], *, several: bool) -> Json:
    """Return the written form of findings; the recording is told where there are several."""
    forms: Any = plain(findings)
    for form in () if several else forms:
        del form["evidence"]["recording"]
    return forms  # type: ignore[no-any-return]
