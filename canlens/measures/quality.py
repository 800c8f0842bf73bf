"""Quality: a recording described, and how far it can be trusted before anything is judged from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.measures.error_ledger import errors_recorded
from canlens.measures.quality_reasons import reasons
from canlens.results import ProblemRow, RecordingResult
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from canlens.database import Database
    from canlens.trace import Problem, Trace

MOST_PROBLEMS = 50
"""Rows of problems that a result lists; the count is exact all the same."""


def recording(trace: Trace, database: Database, *, within_s: float | None = None) -> RecordingResult:
    """Describe a recording and judge its quality.

    Parameters
    ----------
    trace
        As read.
    database
        Of the plan; its problems are listed beside the recording's.
    within_s
        The shortest time in which an output of the plan must answer [s]; None: there is none.

    Returns
    -------
    RecordingResult
    """
    quality, because = reasons(trace, within_s=within_s)
    return RecordingResult(
        file=trace.source.file,
        sha256=trace.source.sha256,
        format=trace.source.format,
        start=trace.start_ns / NANOSECONDS_PER_SECOND if len(trace) else None,
        duration_s=trace.duration_s,
        frames=len(trace),
        channels=trace.channels,
        error_frames=int((trace.kind == Kind.ERROR).sum()),
        error_frames_recorded=errors_recorded(trace)[0],
        quality=quality,
        quality_reasons=because,
        problem_count=trace.problem_count,
        problems=_rows(trace.problems),
        database_problems=_rows(database.problems),
    )


def _rows(problems: tuple[Problem, ...]) -> tuple[ProblemRow, ...]:
    """Return the first problems as rows of a result."""
    return tuple(ProblemRow(each.line, each.found, each.expected, each.count) for each in problems[:MOST_PROBLEMS])
