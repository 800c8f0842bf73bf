"""irregular-message: a message on a beat stayed away for moments.

Looks for
    Intervals in which at least one frame of a cyclic message is missing, though the bus was awake and other messages
    came. Messages that are sent on an event have no gaps. Messages that stay away at the same moments are told as one.
Why it matters
    A loose contact takes all messages of its node away for moments; a sender that is too busy skips its own; a
    recorder that loses frames takes any.
Evidence
    How many gaps, how long the longest, how many frames are missing; lines of the frames after them.
Cannot tell
    Whether the frames were not sent or not recorded; a counter inside the message tells (skipping-counter).
Next step
    Move the connector of the sender while you record; where several senders are concerned, suspect the recorder.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import counted, some, times

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import Gaps, MessageEvidence

MISSED_SHARE = 0.01
LONG_CYCLES = 10
"""A single lost frame now and then is noted; more than one in a hundred, or a gap of ten cycles, is a warning (our
choice)."""
TOGETHER = 0.75
"""Messages stay away together when so many of the gaps of the one with fewer meet gaps of the other (our choice)."""
MOST_NAMES = 6


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages with gaps."""
    with_gaps = [each for each in evidence.intervals if len(each.gaps.seen) and each.cycle_s is not None]
    for group in _together(with_gaps):
        yield _finding(group)


def _together(messages: Sequence[MessageEvidence]) -> list[list[MessageEvidence]]:
    """Put messages together that stay away at the same moments, the one with most gaps first."""
    groups: list[list[MessageEvidence]] = []
    for each in sorted(messages, key=lambda one: -len(one.gaps.seen)):
        home = next((group for group in groups if _belongs(group[0], each)), None)
        if home is None:
            groups.append([each])
        else:
            home.append(each)
    return groups


def _belongs(one: MessageEvidence, other: MessageEvidence) -> bool:
    """Tell whether the other message, which has no more gaps, stays away with the first; a known sender decides."""
    if one.senders and other.senders and one.senders != other.senders:
        return False
    is_known = bool(one.senders) and one.senders == other.senders
    return (is_known or len(other.gaps.seen) > 1) and _met(other.gaps, one.gaps) >= TOGETHER


def _met(gaps: Gaps, others: Gaps) -> float:
    """Return which share of gaps overlap one of the others."""
    start_s, other_start_s = gaps.seen.time_s - gaps.length_s, others.seen.time_s - others.length_s
    begun = np.searchsorted(other_start_s, gaps.seen.time_s, "left")
    ended = np.searchsorted(others.seen.time_s, start_s, "right")
    return float((begun > ended).mean())


def _finding(group: list[MessageEvidence]) -> Finding:
    """Return the finding of one message, or of several that stay away together."""
    first = group[0]
    missed = sum(each.gaps.missed for each in group)
    longest_s = max(float(each.gaps.length_s.max()) for each in group)
    often = times(len(first.gaps.seen))
    return Finding(
        check="irregular-message",
        severity="warning" if any(map(_is_grave, group)) else "note",
        subject=tuple(each.name for each in group),
        claim=f"{_who(group)} stayed away {often}, at the longest for {longest_s:.3f} s; "
        f"{counted(missed, 'frame is', 'frames are')} missing.",
        evidence=lines_of(first.gaps.seen),
        cannot_tell="Whether the frames were not sent, destroyed, or not recorded.",
        next_step="Move the connector of its sender while you record; record once more with another computer.",
        would_change="No interval much longer than its cycle.",
    )


def _is_grave(message: MessageEvidence) -> bool:
    """Tell whether more is missing than a recorder loses now and then."""
    share = message.gaps.missed / (message.frames + message.gaps.missed)
    return share > MISSED_SHARE or float(message.gaps.length_s.max()) >= LONG_CYCLES * (message.cycle_s or 0.0)


def _who(group: list[MessageEvidence]) -> str:
    """Name the messages of a group, and their sender."""
    if len(group) == 1:
        return f"{group[0].name}, which comes every {(group[0].cycle_s or 0.0) * 1000:.4g} ms,"
    senders = {", ".join(each.senders) for each in group if each.senders}
    of_sender = f" of {senders.pop()}" if len(senders) == 1 and all(each.senders for each in group) else ""
    names = some((each.name for each in group), most=MOST_NAMES)
    return f"{len(group)} messages{of_sender} ({names}) together"


CHECK = BusCheck("irregular-message", find)
