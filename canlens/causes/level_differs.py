"""level-differs: brightness not as planned.

What is wrong
    The level is configured differently, dims by day instead of by night, or the plan means another scale.
Speaks for it
    A steady level that is off by more than the tolerance.
Speaks against it
    The planned level wherever the output was steady.
Next test
    Measure the average voltage at the lamp by day and by night; then look up both levels in the configuration.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="level-differs",
    scope="output",
    question="level",
    weight=6,
    chances={
        "level": {"right": 0.02, "wrong": 0.98},
    },
    module=__name__,
)
