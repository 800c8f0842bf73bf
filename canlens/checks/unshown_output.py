"""unshown-output: nothing on the bus shows an output, and nobody noted what it did.

Looks for
    Outputs of the plan without a command signal and without observations.
Why it matters
    Many controllers tell the bus nothing of their outputs. Then only eye, ear or meter can.
Evidence
    None: that is the point.
Cannot tell
    Anything about the output.
Next step
    Watch it while its control is operated, note time, output, on (1 or 0), and give the list with --observed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find outputs that nothing shows."""
    for name, own in evidence.outputs.items():
        output = evidence.plan.outputs[name]
        if own.judged_from != "nothing" or output.command is not None:
            continue
        yield Finding(
            check="unshown-output",
            severity="note",
            subject=(name,),
            claim=f"Nothing on the bus shows {called(output)}, and no observations were given.",
            cannot_tell="Whether it works.",
            next_step=f"Operate '{output.when}', watch {name}, note the times and give them with --observed.",
            would_change=f"Observations of {name}, on and off.",
        )


CHECK = Check("unshown-output", find, of_whole_job=True)
