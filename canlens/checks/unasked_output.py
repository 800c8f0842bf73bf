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

from canlens.checks.entry import OutputCheck, Said, called
from canlens.wording import times

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output came on unasked."""
    seen = "came" if found[0].link else "was seen"
    return Said(
        claim=f"{called(output)} {seen} on {times(len(found[0].steps))} while '{output.when}' was off.",
        cannot_tell="What drove it; the command may have come from the controller or from outside.",
        next_step=f"Look in the controller's configuration for everything that may switch {output.name}.",
        would_change=f"A recording in which {output.name} stays off whenever '{output.when}' is off.",
    )


CHECK = OutputCheck("unasked-output", ("unasked",), say)
