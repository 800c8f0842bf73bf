"""cut-off-differs: it is cut off after another time than planned.

What is wrong
    The cut-off is configured differently or not at all.
Speaks for it
    On-times under a lasting rule that are alike, and not the planned one; or no cut-off at all.
Speaks against it
    Times that scatter: then a protection or a bad supply switches it off.
Next test
    Hold its rule on for longer than the planned time, twice, and compare the times; then look it up in the
    configuration.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="cut-off-differs",
    scope="output",
    question="release",
    weight=8,
    chances={
        "cut-off": {"right": 0.01, "alike": 0.9, "scattered": 0.09},
        "dropped": {"no": 0.97, "yes": 0.03},
    },
    module=__name__,
)
