"""contradicted-bit-rate: the stamps do not fit the bit rate that was given.

Looks for
    Frames without a pause between them, which lie exactly as far apart as one of them is long: at another bit rate than
    the given one; or many gaps too short for any frame at the given rate.
Why it matters
    Bus load and everything else that counts bits is wrong by the same factor. A box set to that rate would destroy
    every frame.
Evidence
    Both rates, and how many gaps speak for the one found.
Cannot tell
    Which of the two the maker intended; what a box on this bus is set to.
Next step
    Correct the bit rate in the plan or on the command line, and compare it with the setting of the controller.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find that the given bit rate is contradicted."""
    conflict = evidence.bit_rate_conflict
    if conflict is None:
        return
    found = f", the stamps say {conflict.inferred / 1000:g}" if conflict.inferred else ", the stamps say more"
    yield Finding(
        check="contradicted-bit-rate",
        severity="warning",
        subject=(),
        claim=f"Given are {conflict.given / 1000:g} kbit/s{found}: {conflict.because}",
        cannot_tell="What the controller is set to.",
        next_step="Correct the bit rate that was given, and compare it with the setting of the controller.",
        would_change="A given bit rate that the stamps bear out.",
    )


CHECK = BusCheck("contradicted-bit-rate", find)
