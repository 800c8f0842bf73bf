"""Quality: how far a recording can be trusted before anything is judged from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.results import ProblemRow, Quality, Recorded, RecordingResult
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.trace import Problem, Trace

POOR_SHARE = 0.01
"""More unusable lines than this share make a recording poor: what they held may be the very edge in question (our
choice)."""
MOST_PROBLEMS = 50
"""Rows of problems that a result lists; the count is exact all the same."""


def recording(trace: Trace, database: Database) -> RecordingResult:
    """Describe a recording and judge its quality.

    Parameters
    ----------
    trace
        As read.
    database
        Of the plan; its problems are listed beside the recording's.

    Returns
    -------
    RecordingResult
    """
    quality, reasons = _quality(trace)
    errors = int((trace.kind == Kind.ERROR).sum())
    recorded: Recorded = "yes" if errors else ("unknown" if trace.source.can_hold_errors else "no")
    return RecordingResult(
        file=trace.source.file,
        sha256=trace.source.sha256,
        format=trace.source.format,
        start=trace.start_ns / NANOSECONDS_PER_SECOND if len(trace) else None,
        duration_s=trace.duration_s,
        frames=len(trace),
        channels=trace.channels,
        error_frames=errors,
        error_frames_recorded=recorded,
        quality=quality,
        quality_reasons=reasons,
        problem_count=trace.problem_count,
        problems=_rows(trace.problems),
        database_problems=_rows(database.problems),
    )


def _quality(trace: Trace) -> tuple[Quality, tuple[str, ...]]:
    """Judge the recording, worst reason first."""
    poor: list[str] = []
    usable: list[str] = []
    lines = len(trace) + trace.problem_count
    if trace.problem_count:
        words = f"{trace.problem_count} of {lines} lines could not be read"
        (poor if trace.problem_count > POOR_SHARE * lines else usable).append(words)
    restarts = int(trace.segment[-1] - trace.segment[0]) if len(trace) else 0
    if restarts:
        poor.append(f"the recorder's clock restarts {restarts} time{'s' if restarts > 1 else ''}")
    backwards = int((np.diff(trace.time_ns) < 0).sum()) - restarts
    if backwards > 0:
        usable.append(f"{backwards} time stamps step backwards")
    if poor:
        return "poor", (*poor, *usable)
    return ("usable", tuple(usable)) if usable else ("good", ())


def _rows(problems: tuple[Problem, ...]) -> tuple[ProblemRow, ...]:
    """Return the first problems as rows of a result."""
    return tuple(ProblemRow(each.line, each.found, each.expected, each.count) for each in problems[:MOST_PROBLEMS])
