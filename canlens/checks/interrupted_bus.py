"""interrupted-bus: all messages of a channel stayed away at once for a moment.

Looks for
    Moments in which the whole channel was silent though even the third fastest of its messages on a beat was due at
    least three times.
Why it matters
    A loose contact in the trunk or at the recorder, a short of the lines, a dip of the supply, or a recorder that loses
    frames: while it lasts, nothing works.
Evidence
    When and for how long; what the counters inside the messages did meanwhile: where they went on counting, frames were
    sent and not recorded; where they went on by one, the senders waited or the recorder's clock stepped.
Cannot tell
    The place of the fault.
Next step
    Where frames were not recorded, record with another computer or adapter; else move the recorder's plug and the
    trunk's connectors while you record.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, BusCheck
from canlens.results.finding import Finding, Lines
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence

MEANING = {
    "ran": "their counters went on meanwhile, so frames were sent and not recorded",
    "stood": "their counters went on by one, so the senders waited or the recorder's clock stepped",
    "unknown": "no counter tells whether they were sent",
}


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find moments in which a whole channel stopped."""
    stops = evidence.quiet.stops if evidence.quiet else ()
    if not stops:
        return
    longest_s = max(each.to_s - each.from_s for each in stops)
    meanings = dict.fromkeys(MEANING[each.counters] for each in stops)
    yield Finding(
        check="interrupted-bus",
        severity="warning",
        subject=(),
        claim=(
            f"All messages stayed away at once {times(len(stops))}, at the longest for {longest_s:.3f} s; "
            f"{'; '.join(meanings)}."
        ),
        evidence=Lines(
            tuple(each.line for each in stops[:MOST_LINES]), tuple(each.to_s for each in stops[:MOST_LINES])
        ),
        cannot_tell="Where the fault is: in the trunk, the supply, or the recorder.",
        next_step="Move the recorder's plug and the trunk's connectors while you record; try another computer.",
        would_change="Messages that come on their beat all the time.",
    )


CHECK = BusCheck("interrupted-bus", find)
