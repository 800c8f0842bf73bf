"""control-never-changes: a control was operated, but its signal does not move.

What is wrong
    The switch or its wire is faulty, the signal is another one than was assumed (identifier, bit, scaling), or a
    second condition was not met.
Speaks for it
    Marks that say that the control was operated, and a signal that stands still all the while.
Speaks against it
    Any edge of the signal. Without marks nothing can be told.
Next test
    Operate it again with marks, and look whether its original function works and which other bits move.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="control-never-changes",
    scope="control",
    question="control",
    weight=8,
    chances={
        "control": {"moves": 0.01, "stands": 0.99},
    },
    module=__name__,
)
