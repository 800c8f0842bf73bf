"""unasked-output: an output came on although its rule was off.

Looks for
    Rises of an output while its rule had been off for longer than the answer time and any planned run-on.
Why it matters
    Something else drives the output: another control, a second rule in the controller, or a wire.
Evidence
    Number of such rises; their log lines.
Cannot tell
    What drove it, unless the output follows another control throughout (see misrouted-output).
Next step
    See which control moved just before; look for a second assignment in the controller's configuration.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.judging import explained_by
from canlens.results.finding import Finding, safety_caution
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that came on unasked."""
    for name, own in evidence.outputs.items():
        count = len(own.answers.unasked)
        if not count:
            continue
        output = evidence.plan.outputs[name]
        seen = "was seen" if own.judged_from == "observed" else "came"
        yield Finding(
            check="unasked-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} {seen} on {times(count)} while '{output.when}' was off.",
            evidence=lines_of(own.answers.unasked),
            cannot_tell="What drove it; the command may have come from the controller or from outside.",
            next_step=f"Look in the controller's configuration for everything that may switch {name}.",
            would_change=f"A recording in which {name} stays off whenever '{output.when}' is off.",
            caution=safety_caution(output.safety, ""),
            consequence_of=explained_by(evidence, name),
        )


CHECK = Check("unasked-output", find)
