"""unexercised-control: a control was operated too seldom to prove anything.

Looks for
    Controls of an output's rule with fewer exercises than the plan asks for, counting only those that could have
    shown the output following.
Why it matters
    What was not exercised was not tested, and not tested is never passed.
Evidence
    Number of exercises, number asked for.
Cannot tell
    Anything about the output beyond the exercises that were made.
Next step
    Operate the control as often as is missing, each time longer than the answer time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, lines_of
from canlens.results.finding import Finding
from canlens.wording import counted, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find controls that were exercised too seldom, once each."""
    lacking: dict[str, tuple[int, int, list[str]]] = {}
    for name, own in evidence.outputs.items():
        for control, count in own.exercised.items():
            needed = evidence.plan.exercises_needed(evidence.plan.outputs[name], control)
            if count < needed and evidence.controls[control].message_seen:
                known = lacking.get(control, (count, needed, []))
                lacking[control] = (min(count, known[0]), max(needed, known[1]), [*known[2], name])
    for control, (count, needed, outputs) in lacking.items():
        done = f"only {times(count)}" if count else "not at all"
        yield Finding(
            check="unexercised-control",
            severity="note",
            subject=(control, *outputs),
            claim=f"{control} was exercised {done} in a way that counts; {needed} are asked for.",
            evidence=lines_of(evidence.controls[control].exercises),
            cannot_tell=f"Whether {', '.join(outputs)} would follow.",
            next_step=f"Operate {control} {counted(needed - count, 'more time')} and record.",
            would_change=f"{needed} exercises of {control}, each answered.",
        )


CHECK = Check("unexercised-control", find, of_whole_job=True)
