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

from canlens.checks.entry import OutputCheck, Said, called
from canlens.results.finding import OVER_CURRENT, WIRING
from canlens.wording import times

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output went off while still asked for."""
    return Said(
        claim=f"{called(output)} went off {times(len(found[0].steps))} while '{output.when}' was still on.",
        cannot_tell="Whether protection, a restart or a time-out switched it off.",
        next_step=f"Hold '{output.when}' for a long time with the load of {output.name} unplugged; compare.",
        would_change=f"{output.name} staying on for as long as '{output.when}' does.",
    )


CHECK = OutputCheck("dropped-output", ("dropped",), say, f"{OVER_CURRENT} {WIRING}")
