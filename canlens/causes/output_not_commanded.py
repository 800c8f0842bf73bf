"""output-not-commanded: its control moves, the command never comes.

What is wrong
    The output is not assigned in the controller's configuration, is locked out after an over-current, a second
    condition is not met, or the profile was lost.
Speaks for it
    Exercises of its controls, none of them answered, and an output that is off from the first row to the last.
Speaks against it
    Any turning on.
Next test
    Look up the output in the controller's configuration; then ignition off and on, and operate its control once
    more.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="output-not-commanded",
    scope="output",
    question="routing",
    weight=8,
    chances={
        "answers": {"all": 0.001, "some": 0.029, "none": 0.97},
        "late": {"none": 0.98, "some": 0.01, "most": 0.01},
        "unasked": {"no": 0.98, "yes": 0.02},
        "state": {"changes": 0.03, "always on": 0.001, "always off": 0.969},
        "follows": {"own": 0.15, "exchanged": 0.005, "another's": 0.02, "other": 0.02, "none": 0.805},
    },
    module=__name__,
)
