"""Verdicts: many changes put into an order, and into one word and one sentence."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.comparison_results import Change, ChangeKind, CompareVerdict

ORDER: tuple[ChangeKind, ...] = (
    "rule",
    "identifier-vanished",
    "channel-swap",
    "errors",
    "quiet",
    "supply",
    "identifier-new",
    "payload-length",
    "run-on",
    "cut-off",
    "latency",
    "interval",
    "payload-bits",
    "jitter",
    "bus-load",
)
"""What weighs more comes first."""
NOUNS: dict[ChangeKind, tuple[str, str]] = {
    "rule": ("output follows another rule", "outputs follow other rules"),
    "identifier-vanished": ("identifier vanished", "identifiers vanished"),
    "channel-swap": ("channel that carries another bus", "channels that carry other buses"),
    "errors": ("change of the errors", "changes of the errors"),
    "quiet": ("change of the time until the bus is quiet", "changes of the time until the bus is quiet"),
    "supply": ("change of the supply", "changes of the supply"),
    "identifier-new": ("new identifier", "new identifiers"),
    "payload-length": ("changed payload length", "changed payload lengths"),
    "run-on": ("changed run-on", "changed run-ons"),
    "cut-off": ("changed cut-off", "changed cut-offs"),
    "latency": ("changed latency", "changed latencies"),
    "interval": ("changed interval", "changed intervals"),
    "payload-bits": ("message with bits that stopped or began to move", "messages with bits that stopped or began"),
    "jitter": ("changed jitter", "changed jitters"),
    "bus-load": ("change of the bus load", "changes of the bus load"),
}


def ordered(changes: Sequence[Change]) -> list[Change]:
    """Sort changes: what nobody asked for first, then by weight, then by size."""
    return sorted(
        changes,
        key=lambda each: (each.explained_by is not None, ORDER.index(each.change), -abs(each.size or 0.0)),
    )


def verdict_of(changes: Sequence[Change]) -> CompareVerdict:
    """Judge all changes together; those that are explained make nothing worse or better."""
    if not changes:
        return "no-change-seen"
    directions = {each.direction for each in changes if each.explained_by is None} - {"neither"}
    if directions == {"worse"}:
        return "worse"
    return "better" if directions == {"better"} else "changed"


def sentence_of(verdict: CompareVerdict, changes: Sequence[Change]) -> str:
    """Say the verdict in one sentence with what stands behind it."""
    if verdict == "no-change-seen":
        return "No change was seen."
    open_changes = [each for each in changes if each.explained_by is None]
    if not open_changes:
        return f"Only what was meant to change has changed: {_counted(changes)}."
    explained = len(changes) - len(open_changes)
    beside = f"; {explained} more {'is' if explained == 1 else 'are'} explained" if explained else ""
    lost = _lost_nodes(open_changes)
    return f"{lost}{_counted(open_changes)}{beside}."


def _counted(changes: Sequence[Change]) -> str:
    counts = Counter(each.change for each in changes)
    told = [f"{number} {NOUNS[kind][number > 1]}" for kind in ORDER if (number := counts[kind])]
    return ", ".join(told)


def _lost_nodes(changes: Sequence[Change]) -> str:
    """Name the nodes of which nothing is heard any more."""
    gone = {each.node for each in changes if each.change == "identifier-vanished" and "all " in each.sentence}
    names = sorted(name for name in gone if name)
    if not names:
        return ""
    return (
        f"Nothing is heard of {_listed(names)} any more: look at {'its' if len(names) == 1 else 'their'} "
        "supply, plug and stub first; "
    )


def _listed(names: Sequence[str]) -> str:
    """Join names as a sentence does."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
