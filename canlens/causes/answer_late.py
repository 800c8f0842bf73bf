"""answer-late: right rule, later than planned.

What is wrong
    A delay or a soft start is configured, the controller waits for a second message, or the control's message comes
    too seldom.
Speaks for it
    Every exercise is answered, most of them later than the plan allows.
Speaks against it
    Answers in time; exercises without any answer.
Next test
    Read the times of five exercises: equal delays are configured, scattered ones come from the bus or the message's
    cycle.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="answer-late",
    scope="output",
    question="routing",
    weight=4,
    chances={
        "answers": {"all": 0.01, "some": 0.19, "none": 0.8},
        "late": {"none": 0.002, "some": 0.1, "most": 0.898},
        "unasked": {"no": 0.92, "yes": 0.08},
        "state": {"changes": 0.99, "always on": 0.002, "always off": 0.008},
        "follows": {"own": 0.9, "exchanged": 0.005, "another's": 0.005, "other": 0.01, "none": 0.08},
    },
    module=__name__,
)
