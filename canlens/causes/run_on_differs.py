"""run-on-differs: it stays on for another time than planned.

What is wrong
    The run-on is configured differently, or was misunderstood: counted from another moment, or switched off by
    another control.
Speaks for it
    The times from the end of the rule to the output's are alike, and not the planned one.
Speaks against it
    Times that scatter: then something else switches it off.
Next test
    Operate it three times and compare the times: all equal is a timer; then look it up in the configuration.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="run-on-differs",
    scope="output",
    question="release",
    weight=8,
    chances={
        "run-on": {"right": 0.01, "alike": 0.9, "scattered": 0.09},
        "dropped": {"no": 0.99, "yes": 0.01},
    },
    module=__name__,
)
