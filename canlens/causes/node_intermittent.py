"""node-intermittent: one node loses contact for moments.

What is wrong
    A contact in the node's plug, branch or supply opens when something moves; its messages vanish together and come
    back.
Speaks for it
    Gaps in all messages of one node and of no other; errors at the edges of the gaps.
Speaks against it
    No gaps; gaps each time one output turns on, which is the supply; gaps of all nodes at once.
Next test
    Record while one person wiggles the node's plug and lead; gaps that follow the hand show the place.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="node-intermittent",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.002, "three": 0.002, "two": 0.95, "one": 0.02, "open": 0.01, "odd": 0.016},
        "error-rate": {"none": 0.2, "stray": 0.2, "some": 0.4, "many": 0.2},
    },
    module=__name__,
)
