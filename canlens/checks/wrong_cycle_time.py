"""wrong-cycle-time: a message comes at another rate than the database declares.

Looks for
    Messages on a beat whose fitted cycle is off the declared one by more than a tenth.
Why it matters
    Another rate means another sender, another software, a second sender, or a wrong database; whoever waits for the
    message may give up too early.
Evidence
    The declared and the fitted cycle time.
Cannot tell
    Which of the two is right.
Next step
    Compare with the other messages of the same sender; look the cycle time up where the database came from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.findings import Finding, Lines

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.bus_evidence import BusEvidence

TOLERANCE = 0.1
"""Off by more than this share of the declared cycle time (our choice: clocks of nodes are off by far less, and timers
of software are declared in whole milliseconds)."""

PLACES = 6
"""A fitted cycle is not known better than to so many places: clocks of recorders are off by more."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages whose cycle is not the declared one."""
    for each in evidence.intervals:
        declared_s, cycle_s = each.declared_s, each.cycle_s
        if not declared_s or cycle_s is None or round(abs(cycle_s / declared_s - 1), PLACES) <= TOLERANCE:
            continue
        ratio = declared_s / cycle_s
        double = ", twice as often: a second sender would look like this" if abs(ratio - 2) <= 2 * TOLERANCE else ""
        yield Finding(
            check="wrong-cycle-time",
            severity="warning",
            subject=(each.name,),
            claim=(
                f"{each.name} comes every {cycle_s * 1000:.4g} ms; the database declares {declared_s * 1000:.4g} ms"
                f"{double}."
            ),
            evidence=Lines(times_s=(each.first_s, each.last_s)),
            cannot_tell="Whether the sender or the database is wrong.",
            next_step="Look the cycle time up where the database came from; unplug what was fitted last and compare.",
            would_change=f"A cycle within {TOLERANCE * 100:.0f} % of the declared one.",
            consequence_of="duplicate-sender" if each.two_senders else "",
        )


CHECK = BusCheck("wrong-cycle-time", find)
