"""bus-off: the recorder's controller left the bus after too many errors of its own sending.

Looks for
    Records or status lines in which the recording node says that it is bus-off.
Why it matters
    A transmit error counter of 256 takes 32 failed tries in a row. Whoever sends here fails: lines shorted, a wrong bit
    rate, or two senders under one identifier. While the recorder is off the bus, it records nothing.
Evidence
    How often, and when it came back; lines.
Cannot tell
    Whether other nodes left the bus too: each tells only of itself.
Next step
    Battery off, measure between H and L and each to ground; then compare the bit rate of recorder and bus.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, BusCheck
from canlens.results.finding import WIRING, Finding, Lines
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find that the recorder's controller was bus-off."""
    states = evidence.errors.states if evidence.errors else ()
    off = [each for each in states if each.state == "bus-off"]
    if not off:
        return
    back = [each.time_s for each in states if each.time_s > off[-1].time_s and each.state != "bus-off"]
    end = f"back after {back[0] - off[-1].time_s:.3f} s the last time" if back else "and it did not come back"
    yield Finding(
        check="bus-off",
        severity="failure",
        subject=(),
        claim=f"The recording node was bus-off {times(len(off))}, first at {off[0].time_s:.3f} s, {end}.",
        evidence=Lines(tuple(each.line for each in off[:MOST_LINES]), tuple(each.time_s for each in off[:MOST_LINES])),
        cannot_tell="Whether other nodes left the bus too.",
        next_step="Battery off: measure H to L and each to ground; then compare the bit rates of recorder and bus.",
        would_change="A recording in which the node stays on the bus.",
        caution=WIRING,
    )


CHECK = BusCheck("bus-off", find)
