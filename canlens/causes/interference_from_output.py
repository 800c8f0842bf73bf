"""interference-from-output: an output disturbs the bus while it is on.

What is wrong
    The load's noise gets into the lines, or its current shifts the ground of a node: a lamp driver, a motor, a
    relay without suppression, a weak ground lead.
Speaks for it
    Error records while the output is on, and hardly any while it is off.
Speaks against it
    Errors while it is off; no errors though it was on for long.
Next test
    Record with the load off, on and half dimmed; then once more with a heavy temporary ground lead.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="interference-from-output",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.97, "one": 0.005, "open": 0.003, "odd": 0.02},
        "error-rate": {"none": 0.03, "stray": 0.1, "some": 0.42, "many": 0.45},
    },
    module=__name__,
)
