"""unfitting-plan: hardly any message of the plan is on this bus.

Looks for
    Traffic in which no more than one in six of the messages that the plan needs ever came.
Why it matters
    The DBC or the recording is most likely another vehicle's, or of another bus; nothing else can be judged before.
Evidence
    How many of the plan's messages came.
Cannot tell
    Which of the two is the wrong one.
Next step
    Compare the vehicle and the connector of the recording with those of the DBC.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find a plan that does not belong to the recording."""
    if evidence.fits:
        return
    seen = evidence.needed_messages - len(evidence.missing_messages)
    yield Finding(
        check="unfitting-plan",
        severity="warning",
        subject=(),
        claim=f"{seen} of the plan's {evidence.needed_messages} messages are on this bus.",
        cannot_tell="Whether the DBC or the recording is another vehicle's, or of another bus.",
        next_step="See that DBC and recording are of this vehicle, and that the recorder hung on the right connector.",
        would_change="A recording that holds the plan's messages.",
    )


CHECK = Check("unfitting-plan", find)
