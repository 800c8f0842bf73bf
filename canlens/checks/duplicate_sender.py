"""duplicate-sender: two nodes send under one identifier.

Looks for
    Frames of one identifier on two beats that take turns, where the declared cycle is that of each alone, where a
    second beat comes beside the declared one, where two counters run beside each other, where the two beats drift apart
    as two clocks do, where two beats of different cycle explain all frames, or where a bit of the payload splits them
    into two beats.
Why it matters
    No two nodes may send the same identifier: listeners see the values of both in turn, and where both begin at the
    same moment they destroy each other's frames.
Evidence
    What tells two from one, since when, and lines of the frames.
Cannot tell
    Which of the two is the right one.
Next step
    Unplug what was fitted last: does the identifier fall to half its rate?
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence

CLUES = {
    "rate": "each of two beats has the declared cycle",
    "counters": "two counters run beside each other",
    "clocks": "the two beats drift apart as two clocks do",
    "extra": "one beat has the declared cycle, and a second beat comes beside it",
    "beats": "two beats of different cycle explain all its frames",
    "payloads": "its payloads are of two families, each with a beat of its own",
}

UNSURE = (("rate",), ("extra",))
"""One sender that does not keep to its declared cycle would look so."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find identifiers with two senders."""
    for each in evidence.intervals:
        two = each.two_senders
        if two is None:
            continue
        told = "; ".join(CLUES[clue] for clue in two.clues)
        yield Finding(
            check="duplicate-sender",
            severity="warning" if two.clues in UNSURE else "failure",
            subject=(each.name,),
            claim=(
                f"Two senders use {each.name} (0x{each.identifier:x}) from {two.from_s:.3f} s to {two.to_s:.3f} s: "
                f"{told}."
            ),
            evidence=lines_of(two.seen),
            cannot_tell="Which of the two belongs there.",
            next_step="Unplug what was fitted last: does the identifier fall to half its rate?",
            would_change="One beat and one counter under the identifier.",
        )


CHECK = BusCheck("duplicate-sender", find)
