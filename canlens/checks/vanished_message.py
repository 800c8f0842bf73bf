"""vanished-message: a message on a beat stopped before the others did, or began long after them.

Looks for
    Messages that came on a beat and then, for ten cycles and two seconds, to the end of the traffic, no more; and
    messages that needed that long to begin.
Why it matters
    A node that falls silent while the bus goes on has lost its supply, its ground, its connector, or has switched
    itself off after too many errors.
Evidence
    When it was last heard, and its line. Messages that stopped together are told as one. Where a quarter of all
    messages on a beat stops together, no node was lost: the vehicle changed its mode, as with the ignition, and this
    is only noted.
Cannot tell
    Whether the node is dead or only asleep: some nodes are meant to go first.
Next step
    See what was done at that moment; measure supply and ground of that node, and move its connector.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, BusCheck
from canlens.results.finding import Finding, Lines
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import MessageEvidence

TOGETHER_S = 2.0
"""Messages whose last frames lie this close after each other stopped together (our choice: slow messages come once a
second)."""
MODE_SHARE = 0.25
"""So many of the messages on a beat stop together only when the vehicle changes its mode (our choice)."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages that stopped early or began late."""
    on_beat = [each for each in evidence.intervals if each.cycle_s is not None]
    stopped = sorted((each for each in on_beat if each.stopped_s is not None), key=lambda each: each.last_s)
    for group in _together(stopped):
        yield _stopped(group, is_mode=len(group) >= max(2, MODE_SHARE * len(on_beat)))
    for each in on_beat:
        if each.started_s is not None:
            yield _started(each)


def _together(stopped: list[MessageEvidence]) -> Iterator[list[MessageEvidence]]:
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


CHECK = BusCheck("vanished-message", find)
