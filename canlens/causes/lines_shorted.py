"""lines-shorted: H and L touch each other, or nearly so.

What is wrong
    At the splice, in the plug or in a crushed cable the two lines of the bus meet, and nobody can send.
Speaks for it
    Under 2 ohm between H and L with the battery off; no traffic; H and L at the same voltage of about 2.5 V.
Speaks against it
    Frames: a bus whose lines touch carries none. About 60 ohm on the meter.
Next test
    Battery off, measure H to L; then unplug one half of the bus after the other until the short is gone.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="lines-shorted",
    scope="bus",
    question="traffic",
    weight=2,
    chances={
        "frames": {"none": 0.97, "one": 0.01, "many": 0.02},
        "error-flood": {"no": 0.95, "yes": 0.05},
        "acknowledge": {"no": 0.97, "yes": 0.03},
        "ohms": {"short": 0.97, "three": 0.005, "two": 0.005, "one": 0.005, "open": 0.005, "odd": 0.01},
    },
    module=__name__,
)
