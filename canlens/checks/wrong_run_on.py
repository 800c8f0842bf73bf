"""wrong-run-on: an output goes off, but not when it should after its rule has ended.

Looks for
    Completed times from the end of the rule to the end of the output that lie outside run-on ± tolerance. For an
    output without a planned run-on: those longer than the answer time.
Why it matters
    Equal times are a timer that is set otherwise than planned; scattered times are a fault.
Evidence
    The measured times, each known to the interval between two messages; log lines of the edges.
Cannot tell
    Which of the two is right, the setting or the plan.
Next step
    Correct the time in the controller's configuration or in the plan, and let it run to the end once more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import OutputCheck, Said, called

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


EVEN_S = 1.0
"""Times that differ by less than this are called nearly the same [s] (our choice)."""


def say(output: Output, *found: Deviation) -> Said:
    """Say that the release or run-on of an output is not as planned."""
    (timer,) = found
    low, high = timer.least.min(), timer.most.max()
    planned = f"{timer.planned:g} s" if timer.planned else f"at once (within {output.within_s:g} s)"
    even = "always nearly the same" if np.ptp(timer.most) < EVEN_S else "scattered"
    kind = f", {even}" if len(timer.most) > 1 else ""
    return Said(
        claim=f"{called(output)} went off {low:.1f} to {high:.1f} s after its rule{kind}; planned is {planned}.",
        cannot_tell="Whether the setting or the plan is right.",
        next_step=f"Correct the run-on of {output.name} in the controller's configuration; let it run to the end once.",
        would_change=f"One full run-on of {planned}.",
    )


CHECK = OutputCheck("wrong-run-on", ("wrong-run-on",), say)
