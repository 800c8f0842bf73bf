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

from canlens.checks.entry import OutputCheck, Said, called, terminal
from canlens.results.finding import MEASURE_LIVE
from canlens.wording import times

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that an output did not follow its rule."""
    count, due = len(found[0].steps), found[0].due
    return Said(
        claim=f"{called(output)} did not follow '{output.when}': {count} of {due} exercises not answered.",
        cannot_tell="Whether the controller missed the control, is set up otherwise, or cannot switch.",
        next_step=(
            f"Compare the controller's setting for {output.name} with the plan. If it agrees, measure the voltage "
            f"{terminal(output)} while '{output.when}' is on."
        ),
        would_change=f"{output.name} coming on within {output.within_s:g} s, {times(due)} out of {due}.",
    )


CHECK = OutputCheck("unanswered-control", ("unanswered",), say, MEASURE_LIVE)
