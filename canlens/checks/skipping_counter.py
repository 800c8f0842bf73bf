"""skipping-counter: a counter inside a message jumped or stood still.

Looks for
    Bit fields that go up by one with nearly every frame of a message, and the frames at which they did not. The
    database is not needed: the field is found by itself, in the first eight bytes.
Why it matters
    The counter is there so that a listener notices lost and stale frames. Where it jumps, frames are missing; where it
    stands still, a frame was sent twice or its sender hangs.
Evidence
    Place of the field, number of jumps and of repeats; lines of the frames at which they were seen. Counters that
    jump only where messages of their sender stayed away are told as one: they went on counting unheard.
Cannot tell
    Whether the frames were lost on the bus or by the recorder.
Next step
    Where all counters jump at once, suspect the recorder; where one does, its sender or a second one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import BusCheck, lines_of
from canlens.nouns.tracks import Places
from canlens.results.finding import Finding
from canlens.wording import some, times

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import Counter, MessageEvidence


FEW = 3
FEW_SHARE = 0.001
"""Up to so many jumps, or fewer than one in a thousand frames, are noted only (our choice: a recorder loses a frame
now and then)."""
MOST_NAMES = 6


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find counters that jump or stand still."""
    explained: list[MessageEvidence] = []
    for each in evidence.intervals:
        if each.counter is None or not len(_odd(each, each.counter).line):
            continue
        if each.two_senders is None and _is_explained(each, _odd(each, each.counter), evidence.intervals):
            explained.append(each)
        else:
            yield _finding(each, each.counter)
    if explained:
        yield _unheard(explained)


def _odd(message: MessageEvidence, counter: Counter) -> Places:
    """Return where a counter did not count; one sent on a change besides may repeat its number."""
    if message.kind != "cyclic":
        return counter.skipped
    line = np.concatenate([counter.skipped.line, counter.repeated.line])
    return Places(line, np.concatenate([counter.skipped.time_s, counter.repeated.time_s]))


def _is_explained(message: MessageEvidence, odd: Places, every: Sequence[MessageEvidence]) -> bool:
    """Tell whether each jump falls into a gap of its own message, or of another of the same sender."""
    if set(odd.line.tolist()) <= set(message.gaps.seen.line.tolist()):
        return True
    reach_s = message.interval.max if message.interval else 0.0
    met = np.zeros(len(odd), np.bool_)
    for other in every:
        if message.senders and other.senders == message.senders and len(other.gaps.seen):
            start_s = other.gaps.seen.time_s - other.gaps.length_s
            begun = np.searchsorted(start_s, odd.time_s, "right")
            ended = np.searchsorted(other.gaps.seen.time_s, odd.time_s - reach_s, "left")
            met |= begun > ended
    return bool(met.all())


def _finding(message: MessageEvidence, counter: Counter) -> Finding:
    """Return the finding of one counter."""
    odd = _odd(message, counter)
    repeated = len(odd) - len(counter.skipped)
    return Finding(
        check="skipping-counter",
        severity="warning" if len(odd) > FEW and len(odd) > FEW_SHARE * message.frames else "note",
        subject=(message.name,),
        claim=(
            f"The counter of {message.name} (bit {counter.start_bit}, {counter.length} bits) "
            f"{_did(len(counter.skipped), repeated)} in {message.frames} frames."
        ),
        evidence=lines_of(odd),
        cannot_tell="Whether frames were lost on the bus, by the recorder, or never sent.",
        next_step="See whether the counters of other messages jump at the same lines: then suspect the recorder.",
        would_change="A counter that goes up by one with every frame.",
        consequence_of="duplicate-sender" if message.two_senders else "",
    )


def _did(skipped: int, repeated: int) -> str:
    """Say what a counter did."""
    parts = [f"jumped {times(skipped)}"] * (skipped > 0) + [f"stood still {times(repeated)}"] * (repeated > 0)
    return " and ".join(parts)


def _unheard(messages: list[MessageEvidence]) -> Finding:
    """Return the note on counters that went on while their messages were not heard."""
    names = tuple(each.name for each in messages)
    which = "The counter" if len(names) == 1 else f"The counters of {len(names)} messages"
    of = f" of {names[0]}" if len(names) == 1 else f" ({some(names, most=MOST_NAMES)})"
    return Finding(
        check="skipping-counter",
        severity="note",
        subject=names,
        claim=f"{which}{of} jumped where frames are missing: what sends them went on counting.",
        evidence=lines_of(*(_odd(each, each.counter) for each in messages if each.counter)),
        cannot_tell="Whether the frames were sent and not heard, or not sent.",
        next_step="See what is said of the gaps.",
        would_change="No gaps.",
        consequence_of="irregular-message",
    )


CHECK = BusCheck("skipping-counter", find)
