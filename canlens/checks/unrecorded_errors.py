"""unrecorded-errors: this recording cannot show errors, so it does not show that there were none.

Looks for
    A recording in a format without a place for error frames; or one without error records beside a reading of the meter
    that makes errors likely.
Why it matters
    "No errors recorded" is not "no errors". A bus may break a frame every second, and this log would look the same.
Evidence
    The format, and how it can be known whether the recorder keeps errors.
Cannot tell
    Whether there were errors.
Next step
    Record once more in a form that keeps error frames; a recorder may have to be told to keep them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find that errors could not have been recorded, or that it matters that nobody knows."""
    ledger = evidence.errors
    if ledger is None or not evidence.frames or ledger.recorded == "yes":
        return
    makes_likely = any(each.name == "h_l_ohm" and each.state == "odd" for each in evidence.readings)
    if ledger.recorded == "unknown" and not makes_likely:
        return
    yield Finding(
        check="unrecorded-errors",
        severity="note",
        subject=(),
        claim=f"Whether frames broke is not recorded. {ledger.recorded_because}",
        cannot_tell="Whether there were errors.",
        next_step="Record once more with error frames kept; with candump: candump -L can0,0:0,#FFFFFFFF.",
        would_change="A recording whose recorder is known to keep error frames.",
    )


CHECK = BusCheck("unrecorded-errors", find)
