"""output-follows-other-control: a rule, but not the planned one.

What is wrong
    The output is configured for another control, takes one condition too many or too few, or its trigger comes from
    another lamp's wire.
Speaks for it
    It comes on with another control, every time, and not with its own.
Speaks against it
    Another output follows this one's rule in return: then two are exchanged.
Next test
    Operate the control that it seems to follow, alone; then look up the output in the controller's configuration.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="output-follows-other-control",
    scope="output",
    question="routing",
    weight=6,
    chances={
        "answers": {"all": 0.1, "some": 0.25, "none": 0.65},
        "late": {"none": 0.88, "some": 0.06, "most": 0.06},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.93, "always on": 0.03, "always off": 0.04},
        "follows": {"own": 0.01, "exchanged": 0.005, "another's": 0.3, "other": 0.635, "none": 0.05},
    },
    module=__name__,
)
