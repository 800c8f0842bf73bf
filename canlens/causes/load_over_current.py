"""load-over-current: current above the limit, then cut off.

What is wrong
    The load or its wire is shorted, a motor is stuck, or the limit is set below what the load draws when it starts.
Speaks for it
    Current above the output's limit; the output is switched off soon after, tries again a few times and stays off.
Speaks against it
    Current below the limit all the time.
Next test
    Unplug the load and operate the control again: an output that now stays on clears the controller.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="load-over-current",
    scope="output",
    question="load",
    weight=8,
    chances={
        "current": {"flows": 0.2, "none": 0.2, "gives out": 0.6},
        "limit": {"below": 0.08, "for a moment": 0.32, "above": 0.6},
        "voltage": {"there": 0.6, "none": 0.4},
        "stray": {"no": 0.98, "yes": 0.02},
    },
    module=__name__,
)
