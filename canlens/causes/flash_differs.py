"""flash-differs: flashing not as planned.

What is wrong
    The flash frequency is configured differently, or the output does not flash at all.
Speaks for it
    A measured frequency that is off by more than the tolerance.
Speaks against it
    The planned frequency wherever it should flash.
Next test
    Count the flashes of ten seconds; then look up the frequency in the configuration.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="flash-differs",
    scope="output",
    question="flashing",
    weight=4,
    chances={
        "flashing": {"right": 0.02, "wrong": 0.98},
    },
    module=__name__,
)
