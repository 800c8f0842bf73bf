"""Attribution words: what the errors point at, as a sentence, or what is missing to tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from canlens.error_evidence import SuspectKind, Suspicion
    from canlens.measures.struck import Struck

SURE = 0.9
"""Probability from which a suspect is named."""
FEWEST_EPISODES = 5
"""With fewer none is named however well it fits: four in a row hit one of two equal nodes once in eight times."""
BY_CHANCE = 0.01
"""A node that escapes with this probability may still be the one that breaks the frames of all others."""

NAMES: dict[SuspectKind, str] = {
    "whole-bus": "they hit the frames of all nodes: the lines as a whole (terminator, long stub), or what never sends",
    "bad-sender": "frames of {subject} alone break: its stub, connector or transceiver",
    "bad-receiver": "every frame but those of {subject} breaks: it may be the one that disturbs the others",
    "interference": "the errors come while {subject} is on: interference or a shift of ground",
    "loose-contact": "the errors come where {subject} falls silent and returns: a loose contact",
    "other": "none of the known patterns",
}
SHORT: dict[SuspectKind, str] = {
    "whole-bus": "the lines as a whole",
    "bad-sender": "one node that cannot send well",
    "bad-receiver": "one node that breaks the others' frames",
    "interference": "an output that disturbs the bus",
    "loose-contact": "a loose contact of one node",
    "other": "something else",
}


def answer_words(
    suspicions: tuple[Suspicion, ...], struck: Struck, *, narrowed: tuple[SuspectKind, ...], outputs: tuple[str, ...]
) -> str:
    """Say what the errors point at, or what is missing.

    Parameters
    ----------
    suspicions
        Most probable first.
    struck
        What was weighed.
    narrowed
        The kinds that remain.
    outputs
        Names of the outputs of which it is known when they were on.
    """
    number = len(struck.time_s)
    first = suspicions[0]
    if number < FEWEST_EPISODES:
        have = f"{number} error episode{'s' if number > 1 else ''}"
        return f"Not enough evidence: {have}; record until there are {FEWEST_EPISODES} at least, better 40."
    if first.kind != "other" and first.probability >= SURE:
        words = NAMES[first.kind].format(subject=first.subject)
        return f"{number} episodes: {words}.{_not_weighed(suspicions, outputs) if first.kind == 'whole-bus' else ''}"
    hint = _not_weighed(suspicions, outputs)
    if narrowed == ("other",):
        return f"{number} episodes fit none of the known patterns: they come in bunches, or hit several nodes.{hint}"
    if len(narrowed) == 1:
        same = [each.subject for each in suspicions if each.kind == narrowed[0] and each.probability > 1 - SURE]
        return (
            f"{number} episodes point at {SHORT[narrowed[0]]}, {' or '.join(same)}; which one they cannot tell.{hint}"
        )
    left = " or ".join(SHORT[kind] for kind in narrowed)
    return f"Not enough evidence: {number} episodes leave {left}.{_missing(struck, narrowed)}{hint}"


def _not_weighed(suspicions: tuple[Suspicion, ...], outputs: tuple[str, ...]) -> str:
    """Name the outputs by which interference could not be weighed."""
    if not outputs:
        return " When outputs were on is not known, so interference by one was not weighed."
    weighed = {each.subject for each in suspicions if each.kind == "interference"}
    left = [name for name in outputs if name not in weighed]
    if not left:
        return ""
    were = "was" if len(left) == 1 else "were"
    return f" {', '.join(left)} {were} hardly ever switched, so interference by that was not weighed."


def _missing(struck: Struck, narrowed: tuple[SuspectKind, ...]) -> str:
    """Say how many episodes would settle it, where that can be reckoned: until the rarest node has been hit too."""
    if not {"whole-bus", "bad-receiver"} <= set(narrowed) or len(struck.nodes) < 2:  # noqa: PLR2004 – two to compare
        return ""
    shares = np.bincount(struck.node, minlength=len(struck.nodes)) / len(struck.node)
    needed = math.ceil(math.log(BY_CHANCE) / math.log1p(-float(np.clip(shares.min(), 1e-4, 0.5))))
    if needed <= len(struck.time_s):
        return ""
    return f" About {needed} would show whether the frames of every node break."
