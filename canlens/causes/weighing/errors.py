"""Errors: whom or what the error records point at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Case, Sign, Suspect
from canlens.causes.weighing.asked import counted
from canlens.causes.weighing.bus import ohm_signs
from canlens.causes.weighing.words import bus_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing.asked import Asked
    from canlens.error_evidence import Attribution, SuspectKind
    from canlens.evidence import Evidence
    from canlens.message_evidence import MessageEvidence

STRAY, MANY = 1e-4, 2e-3
"""Error episodes for each frame: below the first they may be strays that any bus has, above the second the bus is ill
(our choice; a laboratory bus has fewer than one in ten million)."""
KINDS: dict[str, SuspectKind] = {
    "terminator-missing": "whole-bus",
    "interference-from-output": "interference",
    "node-intermittent": "loose-contact",
}
STRAYS = 2
UNNAMED: tuple[SuspectKind, ...] = ("bad-sender", "bad-receiver", "other")
UNNAMED_WEIGHT = 16.0
"""A node that cannot send or receive well is as common as a cause of weight 8, half of which is the unknown's own."""
FEWEST_GAPS = 2
ALL_OF_THEM = 0.8
"""So much of a node's messages must share its gaps."""
TOGETHER_S = 0.15


def cases(asked: Asked) -> Iterator[Case]:
    """Ask what breaks frames; without any frame the question of traffic comes first."""
    evidence = asked.evidence
    ledger = evidence.bus_evidence.errors
    if not evidence.frames or asked.wrong("traffic", ()) > 0.5:  # noqa: PLR2004 – rather yes than no
        return
    signs = list(ohm_signs(evidence))
    if ledger is not None and ledger.recorded != "no":
        signs.append(_rate_sign(len(ledger.episodes), evidence.frames))
    gaps = nodes_with_gaps(evidence)
    suspects = _suspects(asked, gaps)
    output = next(
        (each.subject[0] for each in suspects.get("interference-from-output", ()) if each.subject), "the output"
    )
    node = next((each.subject[0] for each in suspects.get("node-intermittent", ()) if each.subject), "the node")
    words = {**bus_words(evidence), "output": output, "node": node}
    fine, unknown = _unnamed(evidence.bus_evidence.attribution)
    if signs:
        yield Case(
            "errors",
            (),
            tuple(signs),
            suspects,
            left=1 - asked.probability("duplicate-identifier"),
            fine=fine,
            unknown=unknown,
            words=words,
        )


def _unnamed(attribution: Attribution | None) -> tuple[float, float]:
    """Weigh strays, which hit any frame, and what no cause names: one node that cannot send or receive well."""
    if attribution is None:
        return 1.0, 1.0
    unnamed = sum(attribution.probability(kind) for kind in UNNAMED)
    return len(KINDS) * attribution.probability("whole-bus"), UNNAMED_WEIGHT * unnamed


def _rate_sign(episodes: int, frames: int) -> Sign:
    rate = episodes / max(frames, 1)
    value = (
        "none" if not episodes else "stray" if rate < STRAY or episodes <= STRAYS else "many" if rate > MANY else "some"
    )
    return Sign("error-rate", value, f"{counted(episodes, 'error episode')} among {frames} frames")


def _suspects(asked: Asked, gaps: dict[str, int]) -> dict[str, tuple[Suspect, ...]]:
    """Return where each cause may be at work, weighed by what the errors point at and by who had gaps."""
    evidence = asked.evidence
    attribution = evidence.bus_evidence.attribution
    found: dict[str, tuple[Suspect, ...]] = {}
    if attribution is None:
        return {
            "terminator-missing": (Suspect(()),),
            "interference-from-output": (),
            "node-intermittent": tuple(_gap_suspects(asked, gaps, {})),
        }
    for cause, kind in KINDS.items():
        found[cause] = tuple(
            Suspect((each.subject,) if each.subject else (), each.probability * len(KINDS), attribution.sentence)
            for each in attribution.suspicions
            if each.kind == kind
        )
    loose = {each.subject[0]: each.share for each in found["node-intermittent"] if each.subject}
    found["node-intermittent"] = tuple(_gap_suspects(asked, gaps, loose))
    return found


def _gap_suspects(asked: Asked, gaps: dict[str, int], loose: dict[str, float]) -> Iterator[Suspect]:
    """Yield the nodes that may have a loose contact."""
    node = asked.evidence.plan.controller.node
    for name in dict.fromkeys([*gaps, *loose]):
        share = max(loose.get(name, 0.0), 1.0 if name in gaps else 0.0)
        if name == node:
            share *= 1 - asked.probability("supply-sag")
        told = f"all messages of {name} stayed away together {counted(gaps.get(name, 0), 'time')}"
        yield Suspect(
            (name,), share, told if name in gaps else f"the errors come where {name} falls silent and returns"
        )


def nodes_with_gaps(evidence: Evidence) -> dict[str, int]:
    """Return the nodes all of whose messages stayed away together, and how often."""
    by_node: dict[str, list[MessageEvidence]] = {}
    for each in evidence.bus_evidence.intervals:
        if each.senders and each.cycle_s:
            by_node.setdefault(each.senders[0], []).append(each)
    found = {}
    for node, messages in by_node.items():
        fastest = min(messages, key=lambda each: each.cycle_s or np.inf)
        if len(fastest.gaps.seen) < FEWEST_GAPS:
            continue
        count = len(fastest.gaps.seen)
        if count >= FEWEST_GAPS:
            found[node] = count
    return found
