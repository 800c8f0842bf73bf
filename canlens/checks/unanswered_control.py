"""unanswered-control: a control went on and its output did not follow.

Looks for
    Rising edges of an output's rule with no rise of the output, neither within the answer time nor later. An output
    that is on all the time answers nothing either.
Why it matters
    The request reached the bus, so the fault lies behind it.
Evidence
    Number of unanswered edges; log lines of each.
Cannot tell
    Whether the controller did not notice, was not set up for it, or could not switch. The recording shows messages,
    not wires.
Next step
    Compare the controller's configuration with the plan; if it agrees, measure at the output while the control is on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of, terminal
from canlens.judging import explained_by
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that did not follow their rule."""
    for name, own in evidence.outputs.items():
        count, due = len(own.answers.unanswered), len(own.answers.due)
        if not count:
            continue
        output = evidence.plan.outputs[name]
        yield Finding(
            check="unanswered-control",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} did not follow '{output.when}': {count} of {due} exercises not answered.",
            evidence=lines_of(own.answers.unanswered),
            cannot_tell="Whether the controller missed the control, is set up otherwise, or cannot switch.",
            next_step=(
                f"Compare the controller's setting for {name} with the plan. If it agrees, measure the voltage "
                f"{terminal(output)} while '{output.when}' is on."
            ),
            would_change=f"{name} coming on within {output.within_s:g} s, {times(due)} out of {due}.",
            caution=safety_caution(output.safety, MEASURE_LIVE),
            consequence_of=explained_by(evidence, name),
        )


CHECK = Check("unanswered-control", find)
