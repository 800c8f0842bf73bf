"""unacknowledged-sender: one node sends, and nobody answers.

Looks for
    Error records that say that the acknowledgement is missing, at least sixteen, hardly any of another kind, and no
    frames but those of one identifier.
Why it matters
    Every frame needs one listener that acknowledges it. A sender that is alone repeats its frame for ever; it becomes
    error passive, but does not leave the bus. Nothing that hangs on this bus can work.
Evidence
    The identifier, number and spacing of the tries, the transmit error counter; first and last line.
Cannot tell
    Whether the others sleep, have no supply, are cut off, or run at another bit rate; a recorder that only listens
    does not acknowledge either.
Next step
    Ignition on and record again; then look whether the sender is on the right plug and at the right bit rate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding, Lines

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find a sender to which nobody answers."""
    alone = evidence.lone_sender
    if alone is None:
        return
    sent = f"0x{alone.identifier:x}" if alone.identifier is not None else "a frame"
    spacing = f", one every {alone.interval_s * 1e6:.0f} µs" if alone.interval_s is not None else ""
    counter = f"; its transmit error counter reaches {alone.tec}" if alone.tec is not None else ""
    yield Finding(
        check="unacknowledged-sender",
        severity="failure",
        subject=(sent,) if alone.identifier is not None else (),
        claim=f"Nobody acknowledges {sent}: {alone.records} tries failed{spacing}{counter}; no other node is heard.",
        evidence=Lines((alone.line, alone.last_line)),
        cannot_tell="Whether the other nodes sleep, have no supply, are cut off or run at another bit rate.",
        next_step="Ignition on, record again; then compare plug and bit rate of the sender with those of the bus.",
        would_change="Frames of a second node, or tries that succeed.",
    )


CHECK = BusCheck("unacknowledged-sender", find)
