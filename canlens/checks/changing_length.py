"""changing-length: frames of one identifier do not all carry the same number of bytes.

Looks for
    Data frames of one identifier with more than one payload length.
Why it matters
    A message has one length. A few frames of another one come from a second sender, or from a device that talks to the
    identifier without knowing it; signals behind the end of a short frame are missing.
Evidence
    Each length with its number of frames; lines of those that are not the usual one.
Cannot tell
    Whether it is meant so: diagnostic and transport messages carry what they have.
Next step
    Look at the named lines: who sends frames of that length?
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import MessageEvidence

ODD_SHARE = 0.05
"""Of a message on a beat, up to this share of frames with another length does not belong there (our choice); where more
have it, the message may be made so, and it is only noted."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages whose payload length changes."""
    for each in evidence.intervals:
        if len(each.lengths.counts) == 1 or each.is_remote:
            continue
        counts = ", ".join(f"{count} of {length}" for length, count in sorted(each.lengths.counts.items()))
        yield Finding(
            check="changing-length",
            severity="warning" if _is_odd(each) else "note",
            subject=(each.name,),
            claim=f"Frames of {each.name} differ in payload length: {counts} bytes.",
            evidence=lines_of(each.lengths.unusual),
            cannot_tell="Whether the message is made so.",
            next_step="Look at the named lines: who sends frames of that length?",
            would_change="One payload length for all frames of the identifier.",
            consequence_of="duplicate-sender" if each.two_senders else "",
        )


def _is_odd(message: MessageEvidence) -> bool:
    """Tell whether the unusual lengths do not belong there: a few in a message on a beat, or too short to decode."""
    few = message.cycle_s is not None and len(message.lengths.unusual) <= ODD_SHARE * message.frames
    needed = max((each.needed_length for each in message.message.signals), default=0) if message.message else 0
    short = message.message is not None and not any(each.pages for each in message.message.signals)
    return few or (short and min(message.lengths.counts) < needed)


CHECK = BusCheck("changing-length", find)
