"""Errors: whom or what the error records point at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.bus import ohm_signs
from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.weighing import bus_words
from canlens.plan.rule import ON, Rule
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.bus import Attribution, SuspectKind
    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.outputs import Evidence


# Errors: whom or what the error records point at.


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
FEWEST_STRETCHES = 3
"""An output that was on in fewer stretches than these may have been on by chance where something else disturbed."""
MOST_DOUBTFUL = 0.4
"""Outputs that are on just while the engine runs are all together no likelier than this to be what disturbs."""
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
        named = [each for each in attribution.suspicions if each.kind == kind]
        doubtful = [each.subject for each in named if each.subject and _is_as_the_engine(evidence, each.subject)]
        doubt = sum(each.probability for each in named if each.subject in doubtful)
        found[cause] = tuple(
            Suspect(
                (each.subject,) if each.subject else (),
                each.probability * len(KINDS),
                attribution.sentence,
                most=MOST_DOUBTFUL * each.probability / doubt if each.subject in doubtful and doubt else 1.0,
            )
            for each in named
        )
    loose = {each.subject[0]: each.share for each in found["node-intermittent"] if each.subject}
    found["node-intermittent"] = tuple(_gap_suspects(asked, gaps, loose))
    return found


def _is_as_the_engine(evidence: Evidence, subject: str) -> bool:
    """Tell whether a suspect is an output that errors cannot tell from the engine, or from a part of the drive."""
    own = evidence.outputs.get(subject)
    if own is None:
        return False
    awake = evidence.plan.bus.awake_while
    if awake is not None and evidence.plan.outputs[subject].when.same_as(Rule.of(awake)):
        return True
    shown = own.shown if own.shown is not None else own.rule
    return int((shown.state == ON).sum()) < FEWEST_STRETCHES


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
    """Return the nodes all of whose messages stayed away together while others came, and how often."""
    by_node: dict[str, list[MessageEvidence]] = {}
    for each in evidence.bus_evidence.intervals:
        if each.senders and each.cycle_s:
            by_node.setdefault(each.senders[0], []).append(each)
    found = {}
    for node, messages in by_node.items():
        fastest = min(messages, key=lambda each: each.cycle_s or np.inf)
        if len(fastest.gaps.seen) < FEWEST_GAPS:
            continue
        gap_s = fastest.gaps.seen.time_s
        alone = np.ones(len(gap_s), bool)
        for stop in evidence.bus_evidence.quiet.stops if evidence.bus_evidence.quiet else ():
            alone &= (gap_s < stop.from_s - TOGETHER_S) | (gap_s > stop.to_s + TOGETHER_S)
        count = int(alone.sum())
        if count >= FEWEST_GAPS:
            found[node] = count
    return found


TERMINATOR_MISSING = Candidate(
    name="terminator-missing",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.02, "one": 0.94, "open": 0.02, "odd": 0.018},
        "error-rate": {"none": 0.15, "stray": 0.05, "some": 0.35, "many": 0.45},
    },
    docstring="""terminator-missing: one of the two terminators is gone.

What is wrong
    The plug that was taken off, or the module behind it, carried a terminator; the line now reflects, and late
    edges are read as wrong bits.
Speaks for it
    About 120 ohm between H and L; errors in the frames of all senders, in proportion to their edges.
Speaks against it
    About 60 ohm; errors in the frames of one sender alone, or only while an output is on. Without errors nothing is
    proven: short lines bear it.
Next test
    Battery off, measure H to L with the plug in and out.
""",
)


TERMINATOR_EXTRA = Candidate(
    name="terminator-extra",
    scope="bus",
    question="errors",
    weight=2,
    chances={
        "ohms": {"short": 0.002, "three": 0.97, "two": 0.005, "one": 0.003, "open": 0.002, "odd": 0.018},
        "error-rate": {"none": 0.88, "stray": 0.1, "some": 0.01, "many": 0.01},
    },
    docstring="""terminator-extra: a third terminator hangs on the bus.

What is wrong
    The box that was fitted, or its lead, brings a terminator although the bus has its two.
Speaks for it
    About 40 ohm between H and L.
Speaks against it
    About 60 ohm. A recording seldom shows it, so its silence says little.
Next test
    Battery off, measure H to L; unplug the box and measure again.
""",
)


NODE_INTERMITTENT = Candidate(
    name="node-intermittent",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.002, "three": 0.002, "two": 0.95, "one": 0.02, "open": 0.01, "odd": 0.016},
        "error-rate": {"none": 0.2, "stray": 0.2, "some": 0.4, "many": 0.2},
    },
    docstring="""node-intermittent: one node loses contact for moments.

What is wrong
    A contact in the node's plug, branch or supply opens when something moves; its messages vanish together and come
    back.
Speaks for it
    Gaps in all messages of one node and of no other; errors at the edges of the gaps.
Speaks against it
    No gaps; gaps each time one output turns on, which is the supply; gaps of all nodes at once.
Next test
    Record while one person wiggles the node's plug and lead; gaps that follow the hand show the place.
""",
)


INTERFERENCE_FROM_OUTPUT = Candidate(
    name="interference-from-output",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.97, "one": 0.005, "open": 0.003, "odd": 0.02},
        "error-rate": {"none": 0.03, "stray": 0.1, "some": 0.42, "many": 0.45},
    },
    docstring="""interference-from-output: an output disturbs the bus while it is on.

What is wrong
    The load's noise gets into the lines, or its current shifts the ground of a node: a lamp driver, a motor, a
    relay without suppression, a weak ground lead.
Speaks for it
    Error records while the output is on, and hardly any while it is off.
Speaks against it
    Errors while it is off; no errors though it was on for long.
Next test
    Record with the load off, on and half dimmed; then once more with a heavy temporary ground lead.
""",
)
