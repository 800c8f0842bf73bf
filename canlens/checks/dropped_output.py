"""dropped-output: an output went off although its rule was still on.

Looks for
    Falls of an output, after it had answered, while its rule holds and neither a cut-off nor flashing is planned.
Why it matters
    The controller protected itself (over-current, low supply, heat), restarted, or obeys a time-out that nobody
    planned.
Evidence
    Log lines at which it went off.
Cannot tell
    Which of these it was, unless currents or the supply are reported too.
Next step
    Repeat the long hold with the load unplugged: if the output then stays on, the load draws too much.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called, lines_of
from canlens.results.finding import OVER_CURRENT, WIRING, Finding, safety_caution
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that went off while still asked for."""
    for name, own in evidence.outputs.items():
        if not len(own.dropped):
            continue
        output = evidence.plan.outputs[name]
        yield Finding(
            check="dropped-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name,),
            claim=f"{called(output)} went off {times(len(own.dropped))} while '{output.when}' was still on.",
            evidence=lines_of(own.dropped),
            cannot_tell="Whether protection, a restart or a time-out switched it off.",
            next_step=f"Hold '{output.when}' for a long time with the load of {name} unplugged; compare.",
            would_change=f"{name} staying on for as long as '{output.when}' does.",
            caution=safety_caution(output.safety, f"{OVER_CURRENT} {WIRING}"),
        )


CHECK = Check("dropped-output", find)
