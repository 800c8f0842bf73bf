"""Exercise rows: every exercise of an output's rule, one by one, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from canlens.evidence import Evidence

Outcome = Literal["answered", "late", "not-answered", "too-short", "still-on", "unasked"]


@dataclass(frozen=True)
class ExerciseRow:
    """One exercise.

    Attributes
    ----------
    output
        Whose rule went on; of an output that came on unasked, that one.
    time_s, line
        When [s from the first frame], and where in the log.
    outcome
        What became of it; ``still-on`` where the output was on from the time before, so that nothing could be seen.
    latency_s
        From the exercise to the answer [s]; None where there was none.
    """

    output: str
    time_s: float
    line: int
    outcome: Outcome
    latency_s: float | None = None


def exercise_rows(evidence: Evidence) -> tuple[ExerciseRow, ...]:
    """Return every exercise of a recording: output by output in plan order, each in order of time."""
    return tuple(row for name in evidence.outputs for row in _of_output(evidence, name))


def _of_output(evidence: Evidence, name: str) -> list[ExerciseRow]:
    found = evidence.outputs[name].answers
    timed: tuple[Outcome, Outcome] = ("answered", "late")
    rows = [
        ExerciseRow(name, time_s, line, outcome, latency_s)
        for outcome, steps, latencies in zip(
            timed, (found.answered, found.late), (found.latency_s, found.late_s), strict=True
        )
        for time_s, line, latency_s in zip(steps.time_s.tolist(), steps.line.tolist(), latencies.tolist(), strict=True)
    ]
    untimed: tuple[Outcome, ...] = ("not-answered", "too-short", "still-on", "unasked")
    rows += [
        ExerciseRow(name, time_s, line, outcome)
        for outcome, steps in zip(untimed, (found.unanswered, found.too_short, found.held, found.unasked), strict=True)
        for time_s, line in zip(steps.time_s.tolist(), steps.line.tolist(), strict=True)
    ]
    return sorted(rows, key=lambda row: (row.time_s, row.line))
