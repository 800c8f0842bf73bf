"""indistinct-rule: two rules of the plan never differed, so the recording cannot tell which one an output follows.

Looks for
    Outputs whose rule was, whenever both were known, the same as another rule of the plan (or, for a single
    control, as another control), except for moments too short to be seen.
Why it matters
    Two controls that only ever moved together prove nothing about either.
Evidence
    The two rules.
Cannot tell
    Which of the two drives the output.
Next step
    The exercise named: one in which the two rules differ.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, lines_of
from canlens.judging import telling
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs whose rule cannot be told from another."""
    names = tuple(evidence.plan.controls)
    for name, own in evidence.outputs.items():
        rule = evidence.plan.outputs[name].when
        for rival in own.confounded_with:
            found = telling(rule, rival)
            exercise = found.words(names) if found else "operate one without the other, for two seconds or longer"
            yield Finding(
                check="indistinct-rule",
                severity="warning",
                subject=(name,),
                claim=f"'{rule}' and '{rival}' were never seen apart; {name} may follow either.",
                evidence=lines_of(own.answers.due),
                cannot_tell="Which of the two drives it.",
                next_step=f"{exercise[0].upper()}{exercise[1:]}.",
                would_change=f"An exercise in which '{rule}' and '{rival}' differ.",
            )


CHECK = Check("indistinct-rule", find, of_whole_job=True)
