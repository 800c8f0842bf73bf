"""wrong-cycle-time: a message comes at another rate than the database declares.

Looks for
    Messages on a beat whose fitted cycle is off the declared one by more than a tenth; messages without a beat that
    come a fifth more often than declared are noted.
Why it matters
    Another rate means another sender, another software, a second sender, or a wrong database; whoever waits for the
    message may give up too early.
Evidence
    The declared and the fitted cycle time.
Cannot tell
    Which of the two is right.
Next step
    Compare with the other messages of the same sender; look the cycle time up where the database came from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding, Lines

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import MessageEvidence

TOLERANCE = 0.1
"""Off by more than this share of the declared cycle time (our choice: clocks of nodes are off by far less, and timers
of software are declared in whole milliseconds)."""

PLACES = 6
"""A fitted cycle is not known better than to so many places: clocks of recorders are off by more."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find messages whose cycle is not the declared one."""
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


CHECK = BusCheck("wrong-cycle-time", find)
