"""Checks: whether messages come when they should, from one sender, without a jump.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import MOST_LINES, lines_of
from canlens.nouns.tracks import Places
from canlens.results.finding import Finding, Lines
from canlens.wording import counted, some, times

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import Counter, Gaps, MessageEvidence
    from canlens.nouns.outputs import Evidence


def missing_message(evidence: Evidence) -> Iterator[Finding]:
    """missing-message: a message that the plan needs never came.

    Looks for
        Messages of the plan's controls and outputs of which the recording, though it has traffic, holds no frame.
    Why it matters
        What is not on this bus cannot drive anything: wrong connector, wrong bus, a gateway that keeps it back, or
        a wrong identifier in the DBC.
    Evidence
        Name and identifier of the message; what of the plan hangs on it.
    Cannot tell
        Whether the message is sent elsewhere or nowhere.
    Next step
        Record at the intended connector; compare the identifier in the DBC with those in the recording.
    """
    if not evidence.frames or not evidence.fits:
        return
    for name in evidence.missing_messages:
        message = evidence.plan.database.message(name)
        identifier = f"0x{message.identifier:x}" if message else "?"
        users = _users(evidence, name)
        yield Finding(
            check="missing-message",
            severity="failure",
            subject=(name,),
            claim=f"{name} ({identifier}) never came; {', '.join(users)} cannot be judged without it.",
            cannot_tell="Whether it is sent on another bus or not at all.",
            next_step=f"Record at the intended connector; see whether {identifier} is the right identifier.",
            would_change=f"Frames of {identifier} in the recording.",
        )


def _users(evidence: Evidence, message: str) -> list[str]:
    """Name the controls and outputs that hang on a message."""
    controls = [
        name for name, each in evidence.plan.controls.items() if each.condition.reference.message.name == message
    ]
    outputs = [
        name
        for name, each in evidence.plan.outputs.items()
        if any(
            reference.message.name == message
            for reference in (
                each.command.reference if each.command else None,
                each.level,
                each.current,
                each.voltage,
            )
            if reference is not None
        )
    ]
    return list(dict.fromkeys([*controls, *outputs])) or ["part of the plan"]


TOGETHER_S = 2.0
"""Messages whose last frames lie this close after each other stopped together (our choice: slow messages come once a
second)."""
MODE_SHARE = 0.25
"""So many of the messages on a beat stop together only when the vehicle changes its mode (our choice)."""


def vanished_message(evidence: BusEvidence) -> Iterator[Finding]:
    """vanished-message: a message on a beat stopped before the others did, or began long after them.

    Looks for
        Messages that came on a beat and then, for ten cycles and two seconds, to the end of the traffic, no more;
        and messages that needed that long to begin.
    Why it matters
        A node that falls silent while the bus goes on has lost its supply, its ground, its connector, or has
        switched itself off after too many errors.
    Evidence
        When it was last heard, and its line. Messages that stopped together are told as one. Where a quarter of all
        messages on a beat stops together, no node was lost: the vehicle changed its mode, as with the ignition, and
        this is only noted.
    Cannot tell
        Whether the node is dead or only asleep: some nodes are meant to go first.
    Next step
        See what was done at that moment; measure supply and ground of that node, and move its connector.
    """
    on_beat = [each for each in evidence.intervals if each.cycle_s is not None]
    stopped = sorted((each for each in on_beat if each.stopped_s is not None), key=lambda each: each.last_s)
    for group in _vanished_message_together(stopped):
        yield _stopped(group, is_mode=len(group) >= max(2, MODE_SHARE * len(on_beat)))
    for each in on_beat:
        if each.started_s is not None:
            yield _started(each)


def _vanished_message_together(stopped: list[MessageEvidence]) -> Iterator[list[MessageEvidence]]:
    """Yield messages that stopped together."""
    group: list[MessageEvidence] = []
    for each in stopped:
        if group and each.last_s - group[-1].last_s > TOGETHER_S:
            yield group
            group = []
        group.append(each)
    if group:
        yield group


def _stopped(group: list[MessageEvidence], *, is_mode: bool) -> Finding:
    names = tuple(each.name for each in group)
    senders = {", ".join(each.senders) for each in group}
    who = f", all of {senders.pop()}" if len(group) > 1 and len(senders) == 1 and "" not in senders else ""
    first, last = group[0], group[-1]
    when = f"at {first.last_s:.3f} s" if len(group) == 1 else f"between {first.last_s:.3f} s and {last.last_s:.3f} s"
    what = f"{len(names)} messages ({some(names, most=6)})" if is_mode else f"{some(names, most=6)}{who}"
    return Finding(
        check="vanished-message",
        severity="note" if is_mode else "warning",
        subject=() if is_mode else names,
        claim=f"{what} stopped {when}, though the bus went on.",
        evidence=Lines(
            tuple(each.last_line for each in group[:MOST_LINES]), tuple(each.last_s for each in group[:MOST_LINES])
        ),
        cannot_tell="Whether the sender is dead, cut off or asleep.",
        next_step=(
            "See whether the ignition or another mode changed at that moment."
            if is_mode
            else "See what was done at that moment; measure supply and ground of the sender, and move its connector."
        ),
        would_change="Its frames up to the end of the traffic.",
    )


def _started(each: MessageEvidence) -> Finding:
    return Finding(
        check="vanished-message",
        severity="note",
        subject=(each.name,),
        claim=f"{each.name} came only from {each.first_s:.3f} s on, though the bus was awake before.",
        evidence=Lines((each.first_line,), (each.first_s,)),
        cannot_tell="Whether its sender was off, or starts that slowly.",
        next_step="See what was switched on at that moment.",
        would_change="Its frames from the start.",
    )


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


def duplicate_sender(evidence: BusEvidence) -> Iterator[Finding]:
    """duplicate-sender: two nodes send under one identifier.

    Looks for
        Frames of one identifier on two beats that take turns, where the declared cycle is that of each alone, where
        a second beat comes beside the declared one, where two counters run beside each other, where the two beats
        drift apart as two clocks do, where two beats of different cycle explain all frames, or where a bit of the
        payload splits them into two beats.
    Why it matters
        No two nodes may send the same identifier: listeners see the values of both in turn, and where both begin at
        the same moment they destroy each other's frames.
    Evidence
        What tells two from one, since when, and lines of the frames.
    Cannot tell
        Which of the two is the right one.
    Next step
        Unplug what was fitted last: does the identifier fall to half its rate?
    """
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


MISSED_SHARE = 0.01
LONG_CYCLES = 10
"""A single lost frame now and then is noted; more than one in a hundred, or a gap of ten cycles, is a warning (our
choice)."""
TOGETHER = 0.75
"""Messages stay away together when so many of the gaps of the one with fewer meet gaps of the other (our choice)."""
IRREGULAR_MESSAGE_MOST_NAMES = 6


def irregular_message(evidence: BusEvidence) -> Iterator[Finding]:
    """irregular-message: a message on a beat stayed away for moments.

    Looks for
        Intervals in which at least one frame of a cyclic message is missing, though the bus was awake and other
        messages came. Messages that are sent on an event have no gaps. Messages that stay away at the same moments
        are told as one.
    Why it matters
        A loose contact takes all messages of its node away for moments; a sender that is too busy skips its own; a
        recorder that loses frames takes any.
    Evidence
        How many gaps, how long the longest, how many frames are missing; lines of the frames after them.
    Cannot tell
        Whether the frames were not sent or not recorded; a counter inside the message tells (skipping-counter).
    Next step
        Move the connector of the sender while you record; where several senders are concerned, suspect the
        recorder.
    """
    with_gaps = [each for each in evidence.intervals if len(each.gaps.seen) and each.cycle_s is not None]
    for group in _irregular_message_together(with_gaps):
        yield _irregular_message_finding(group)


def _irregular_message_together(messages: Sequence[MessageEvidence]) -> list[list[MessageEvidence]]:
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


def _irregular_message_finding(group: list[MessageEvidence]) -> Finding:
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
    names = some((each.name for each in group), most=IRREGULAR_MESSAGE_MOST_NAMES)
    return f"{len(group)} messages{of_sender} ({names}) together"


FEW = 3
FEW_SHARE = 0.001
"""Up to so many jumps, or fewer than one in a thousand frames, are noted only (our choice: a recorder loses a frame
now and then)."""
SKIPPING_COUNTER_MOST_NAMES = 6


def skipping_counter(evidence: BusEvidence) -> Iterator[Finding]:
    """skipping-counter: a counter inside a message jumped or stood still.

    Looks for
        Bit fields that go up by one with nearly every frame of a message, and the frames at which they did not. The
        database is not needed: the field is found by itself, in the first eight bytes.
    Why it matters
        The counter is there so that a listener notices lost and stale frames. Where it jumps, frames are missing;
        where it stands still, a frame was sent twice or its sender hangs.
    Evidence
        Place of the field, number of jumps and of repeats; lines of the frames at which they were seen. Counters
        that jump only where messages of their sender stayed away are told as one: they went on counting unheard.
    Cannot tell
        Whether the frames were lost on the bus or by the recorder.
    Next step
        Where all counters jump at once, suspect the recorder; where one does, its sender or a second one.
    """
    explained: list[MessageEvidence] = []
    for each in evidence.intervals:
        if each.counter is None or not len(_odd(each, each.counter).line):
            continue
        if each.two_senders is None and _is_explained(each, _odd(each, each.counter), evidence.intervals):
            explained.append(each)
        else:
            yield _skipping_counter_finding(each, each.counter)
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


def _skipping_counter_finding(message: MessageEvidence, counter: Counter) -> Finding:
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
    of = f" of {names[0]}" if len(names) == 1 else f" ({some(names, most=SKIPPING_COUNTER_MOST_NAMES)})"
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


TOLERANCE = 0.1
"""Off by more than this share of the declared cycle time (our choice: clocks of nodes are off by far less, and timers
of software are declared in whole milliseconds)."""

PLACES = 6
"""A fitted cycle is not known better than to so many places: clocks of recorders are off by more."""


def wrong_cycle_time(evidence: BusEvidence) -> Iterator[Finding]:
    """wrong-cycle-time: a message comes at another rate than the database declares.

    Looks for
        Messages on a beat whose fitted cycle is off the declared one by more than a tenth; messages without a beat
        that come a fifth more often than declared are noted.
    Why it matters
        Another rate means another sender, another software, a second sender, or a wrong database; whoever waits for
        the message may give up too early.
    Evidence
        The declared and the fitted cycle time.
    Cannot tell
        Which of the two is right.
    Next step
        Compare with the other messages of the same sender; look the cycle time up where the database came from.
    """
    for each in evidence.intervals:
        if not each.declared_s:
            continue
        if each.cycle_s is not None and round(abs(each.cycle_s / each.declared_s - 1), PLACES) > TOLERANCE:
            yield _other_cycle(each, each.declared_s, each.cycle_s)
        elif each.kind == "event-driven" and _mean_s(each) < (1 - 2 * TOLERANCE) * each.declared_s:
            yield _no_cycle(each, each.declared_s)


def _mean_s(message: MessageEvidence) -> float:
    """Return the mean interval [s]."""
    return (message.last_s - message.first_s) / (message.frames - 1)


def _other_cycle(message: MessageEvidence, declared_s: float, cycle_s: float) -> Finding:
    """Return the finding of a message on another beat than the declared one."""
    is_double = abs(declared_s / cycle_s - 2) <= 2 * TOLERANCE
    double = ", twice as often: a second sender would look like this" if is_double else ""
    return Finding(
        check="wrong-cycle-time",
        severity="warning",
        subject=(message.name,),
        claim=(
            f"{message.name} comes every {cycle_s * 1000:.4g} ms; the database declares {declared_s * 1000:.4g} ms"
            f"{double}."
        ),
        evidence=Lines((message.first_line, message.last_line), (message.first_s, message.last_s)),
        cannot_tell="Whether the sender or the database is wrong.",
        next_step="Look the cycle time up where the database came from; unplug what was fitted last and compare.",
        would_change=f"A cycle within {TOLERANCE * 100:.0f} % of the declared one.",
        consequence_of="duplicate-sender" if message.two_senders else "",
    )


def _no_cycle(message: MessageEvidence, declared_s: float) -> Finding:
    """Return the note on a message that keeps no beat and comes more often than declared."""
    return Finding(
        check="wrong-cycle-time",
        severity="note",
        subject=(message.name,),
        claim=(
            f"{message.name} keeps no beat: {message.frames} frames, one every {_mean_s(message) * 1000:.4g} ms on "
            f"average; the database declares {declared_s * 1000:.4g} ms."
        ),
        evidence=Lines((message.first_line, message.last_line), (message.first_s, message.last_s)),
        cannot_tell="Whether it is sent on changes besides, or by a second sender.",
        next_step="Unplug what was fitted last: does the identifier come less often?",
        would_change="Frames on the declared beat.",
        consequence_of="duplicate-sender" if message.two_senders else "",
    )


ODD_SHARE = 0.05
"""Of a message on a beat, up to this share of frames with another length does not belong there (our choice); where more
have it, the message may be made so, and it is only noted."""


def changing_length(evidence: BusEvidence) -> Iterator[Finding]:
    """changing-length: frames of one identifier do not all carry the same number of bytes.

    Looks for
        Data frames of one identifier with more than one payload length.
    Why it matters
        A message has one length. A few frames of another one come from a second sender, or from a device that talks
        to the identifier without knowing it; signals behind the end of a short frame are missing.
    Evidence
        Each length with its number of frames; lines of those that are not the usual one.
    Cannot tell
        Whether it is meant so: diagnostic and transport messages carry what they have.
    Next step
        Look at the named lines: who sends frames of that length?
    """
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
