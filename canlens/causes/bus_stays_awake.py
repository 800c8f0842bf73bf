"""bus-stays-awake: frames long after the ignition went off.

What is wrong
    A node does not go to sleep, or wakes the others again and again; most often it is what was fitted last, fed
    from a wire that never goes off.
Speaks for it
    Frames later after the ignition than the plan allows.
Speaks against it
    A bus that is silent in time. A door, a key or a person may wake a bus too.
Next test
    Pull the fuse of what was fitted, wait the full time, and record again; then measure the current at rest.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="bus-stays-awake",
    scope="bus",
    question="sleep",
    weight=4,
    chances={
        "sleep": {"in time": 0.03, "late": 0.97},
    },
    module=__name__,
)
