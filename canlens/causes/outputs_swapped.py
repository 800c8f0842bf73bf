"""outputs-swapped: two outputs each follow the other's rule.

What is wrong
    Two wires were exchanged at the controller's plug or at the loads, or two lines of its configuration.
Speaks for it
    Each of the two is silent when asked, and comes on with the other's control.
Speaks against it
    Only one of the two goes wrong; it follows a control of no other output.
Next test
    Exchange the two at the controller's plug, or in its configuration, and operate both controls once.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="outputs-swapped",
    scope="output",
    question="routing",
    weight=6,
    chances={
        "answers": {"all": 0.01, "some": 0.1, "none": 0.89},
        "late": {"none": 0.88, "some": 0.06, "most": 0.06},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.94, "always on": 0.03, "always off": 0.03},
        "follows": {"own": 0.005, "exchanged": 0.9, "another's": 0.06, "other": 0.005, "none": 0.03},
    },
    module=__name__,
)
