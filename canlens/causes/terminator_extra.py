"""terminator-extra: a third terminator hangs on the bus.

What is wrong
    The box that was fitted, or its lead, brings a terminator although the bus has its two.
Speaks for it
    About 40 ohm between H and L.
Speaks against it
    About 60 ohm. A recording seldom shows it, so its silence says little.
Next test
    Battery off, measure H to L; unplug the box and measure again.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="terminator-extra",
    scope="bus",
    question="errors",
    weight=2,
    chances={
        "ohms": {"short": 0.002, "three": 0.97, "two": 0.005, "one": 0.003, "open": 0.002, "odd": 0.018},
        "error-rate": {"none": 0.88, "stray": 0.1, "some": 0.01, "many": 0.01},
    },
    module=__name__,
)
