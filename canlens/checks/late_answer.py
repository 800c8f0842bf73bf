"""late-answer: an output followed its control, but later than planned.

Looks for
    Rises of an output after the answer time of its plan has passed, before the next exercise.
Why it matters
    A stop lamp or a horn that comes late is no use; a steady delay is a setting, a scattered one a busy bus or a
    weak supply.
Evidence
    Number of late answers, the shortest and longest delay, log lines of the edges.
Cannot tell
    Where the time is lost; the load may be later still than its command.
Next step
    Look for a delay in the controller's configuration; compare the delays with one another.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.judging import explained_by
from canlens.results.finding import Finding, safety_caution

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that answered too late."""
    for name, own in evidence.outputs.items():
        late, due = len(own.answers.late), len(own.answers.due)
        if not late:
            continue
        output = evidence.plan.outputs[name]
        low, high = own.answers.late_s.min(), own.answers.late_s.max()
        span = f"{high:.2f} s" if low == high else f"{low:.2f} to {high:.2f} s"
        yield Finding(
            check="late-answer",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} came {late} of {due} times too late: after {span}, planned {output.within_s:g} s.",
            evidence=lines_of(own.answers.late),
            cannot_tell="Where the time is lost, and whether the load itself is later still.",
            next_step=f"Look for a delay in the controller's setting for {name}; repeat '{output.when}' five times.",
            would_change=f"Every answer within {output.within_s:g} s, or a plan that allows {high:.1f} s.",
            caution=safety_caution(output.safety, ""),
            consequence_of=explained_by(evidence, name),
        )


CHECK = Check("late-answer", find)
