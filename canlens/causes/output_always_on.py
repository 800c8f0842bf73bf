"""output-always-on: on from the first row to the last.

What is wrong
    The output is configured as a permanent supply, its driver is welded or shorted, or its trigger is a lamp that
    always burns dimly.
Speaks for it
    On in every row though its rule was off.
Speaks against it
    Any row in which it is off while the controller is awake.
Next test
    Take the load off and measure the terminal with all controls at rest.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="output-always-on",
    scope="output",
    question="routing",
    weight=4,
    chances={
        "answers": {"all": 0.05, "some": 0.1, "none": 0.85},
        "late": {"none": 0.97, "some": 0.02, "most": 0.01},
        "unasked": {"no": 0.1, "yes": 0.9},
        "state": {"changes": 0.03, "always on": 0.969, "always off": 0.001},
        "follows": {"own": 0.05, "exchanged": 0.01, "another's": 0.02, "other": 0.02, "none": 0.9},
    },
    module=__name__,
)
