"""odd-reading: the meter shows a value outside its limits, or one that only the kind of bus can explain.

Looks for
    Readings outside the limits given with them; without such limits outside those that a source names. On a bus of up
    to 125 kbit/s the resistance and the levels are asked about, since a fault-tolerant bus has others.
Why it matters
    A missing terminator, a leak or a poor ground may leave no trace in the log until it is cold, wet or loaded.
Evidence
    The value, the limit and where it comes from; where sources disagree; what meter and log say together.
Cannot tell
    What the vehicle's maker allows: limits differ by a factor of two to five.
Next step
    Measure again as the vehicle maker's manual says, supply off for ohms; then follow the meaning of the value.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import MEASURE_LIVE, WIRING, Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence, JudgedReading

ABOUT: dict[str, tuple[str, ...]] = {
    "h_l_ohm": ("ohm between",),
    "h_v": ("lies below",),
    "sleep_ma": ("at rest",),
}
"""Words by which the sentence on meter and log that belongs to a reading is known."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find readings that are odd, or that cannot be judged without knowing the bus."""
    for each in evidence.readings:
        if each.state == "fits":
            continue
        together = [text for text in evidence.fused if any(words in text for words in ABOUT.get(each.name, ()))]
        yield Finding(
            check="odd-reading",
            severity=each.severity,
            subject=(each.name,),
            claim=" ".join([_claim(each), *together]),
            cannot_tell="What the vehicle's maker allows; a reading holds for the moment and the place it was taken.",
            next_step=_next_step(each),
            would_change="The same measurement inside the limits, or limits of the maker that allow this value.",
            caution=WIRING if each.unit == "ohm" else MEASURE_LIVE,
        )


def _claim(reading: JudgedReading) -> str:
    """Say what was read, against what, and what it means."""
    value = f"{reading.value:g} {reading.unit}" if math.isfinite(reading.value) else "an open line"
    if reading.state == "ask":
        return f"{reading.name}: {value}. {reading.meaning}"
    other = f"; {reading.disagreement}" if reading.disagreement else ""
    limit = f", outside {_limit(reading.limit)}" if reading.limit else ""
    return f"{reading.name}: {value}{limit} {reading.unit} ({reading.source}{other}): {reading.meaning}."


def _limit(limit: tuple[float, float]) -> str:
    """Write a limit."""
    low, high = limit
    return f"{low:g} to {high:g}" if math.isfinite(high) else f"{low:g} or more"


def _next_step(reading: JudgedReading) -> str:
    """Say what to do with a reading."""
    if reading.state == "ask":
        return "Find out which kind of bus this is, and give the reading its limit from the maker's manual."
    if reading.unit == "ohm":
        return "Measure again with the battery off for some minutes, with and without what was fitted last."
    return "Measure again at the plug of the controller, under load; give the limit of the maker's manual."


CHECK = BusCheck("odd-reading", find)
