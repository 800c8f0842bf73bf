"""error-episodes: frames were broken on the bus.

Looks for
    Error records of the recording, merged into episodes: a disturbance and the retries that follow it are one. Fewer
    than one in ten thousand frames that point at nobody are left to the ledger: no bus is free of them.
Why it matters
    A healthy bus has next to none. A broken frame is sent again, so nothing may be noticed until the errors are many
    enough to delay answers or to switch a node off.
Evidence
    Number of episodes against the frames; kinds and places of the errors; the first lines; what the errors point at,
    where the evidence suffices: one node, an output, or the lines as a whole.
Cannot tell
    Errors that the recorder did not see or did not keep; the exact place in the wiring.
Next step
    What the suspect asks for: measure between H and L with the battery off, look at the node's connector and stub, or
    record once with the output's load unplugged.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, BusCheck
from canlens.results.finding import WIRING, Finding, Lines
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import Attribution, BusEvidence, ErrorLedger, StateStep, SuspectKind
    from canlens.results.finding import Severity

FEWEST_EPISODES = 2
"""A single one may be the recorder being plugged in."""
STRAY_SHARE = 0.0001
"""No more episodes than one in so many frames, pointing at nobody, are what any bus has now and then (our choice)."""
GRAVE_SHARE = 0.001
"""One broken frame in a thousand is a failure: at a few hundred frames a second that is an error every few seconds,
while a healthy bus runs for hours without one (our choice)."""
NEXT_STEPS: dict[SuspectKind, str] = {
    "whole-bus": "Battery off: measure between H and L; then look for long or untwisted stubs.",
    "bad-sender": "Look at the connector, stub and supply of {subject}; record once with its plug moved by hand.",
    "bad-receiver": "Unplug {subject} and record again: do the errors go?",
    "interference": "Record once with the load of {subject} unplugged, once with it on: do the errors go?",
    "loose-contact": "Move the plug and the wires of {subject} by hand while recording.",
}
OPEN_STEP = "Record for longer, with every output exercised; battery off, measure between H and L."


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find that frames were broken; a sender to which nobody answers has its own page."""
    ledger = evidence.errors
    if ledger is None or evidence.lone_sender is not None:
        return
    states = [each for each in ledger.states if each.state in {"warning", "passive"}]
    answer = evidence.attribution.answer if evidence.attribution else None
    if not states and answer is None and len(ledger.episodes) <= STRAY_SHARE * ledger.good_frames:
        return
    yield Finding(
        check="error-episodes",
        severity=_severity(ledger),
        subject=(answer.subject,) if answer and answer.subject else (),
        claim=f"{_claim(ledger)}{_pointing(evidence.attribution)}",
        evidence=_lines(ledger, states),
        cannot_tell="Where in the wiring the fault lies, and errors that the recorder did not keep.",
        next_step=NEXT_STEPS[answer.kind].format(subject=answer.subject) if answer else OPEN_STEP,
        would_change="A recording as long as this one without error records.",
        caution=WIRING,
    )


def _severity(ledger: ErrorLedger) -> Severity:
    """Say how grave the episodes are, by how many there are for the frames and by what state they led to."""
    number = len(ledger.episodes)
    if number > GRAVE_SHARE * ledger.good_frames and number >= FEWEST_EPISODES:
        return "failure"
    has_counted = any(each.state in {"warning", "passive"} for each in ledger.states)
    return "warning" if number >= FEWEST_EPISODES or has_counted else "note"


def _claim(ledger: ErrorLedger) -> str:
    """Say what was seen."""
    number = len(ledger.episodes)
    states = {each.state for each in ledger.states}
    worst = "error passive" if "passive" in states else "at its warning limit" if "warning" in states else ""
    if not number:
        return f"The recording node's controller was {worst}: it saw many errors, though none is recorded by itself."
    reached = f" The recording node's controller was {worst}." if worst else ""
    episodes = f"{counted(number, 'error episode')}"
    return f"{episodes} beside {ledger.good_frames} frames{_kinds(ledger)}.{reached}"


def _lines(ledger: ErrorLedger, states: list[StateStep]) -> Lines:
    """Return the first lines: of the episodes, or of the states where there are none."""
    if len(ledger.episodes):
        first = slice(0, MOST_LINES)
        return Lines(tuple(ledger.episodes.line[first].tolist()), tuple(ledger.episodes.start_s[first].tolist()))
    shown = states[:MOST_LINES]
    return Lines(tuple(each.line for each in shown), tuple(each.time_s for each in shown))


def _kinds(ledger: ErrorLedger) -> str:
    """Name the most frequent kind and place, where the records tell them."""
    told = [next(iter(words)) for words in (ledger.details, ledger.places) if words]
    return f", mostly {', '.join(told)}" if told else ""


def _pointing(attribution: Attribution | None) -> str:
    """Say what the errors point at."""
    return f" {attribution.sentence}" if attribution is not None else ""


CHECK = BusCheck("error-episodes", find)
