"""load-open: commanded and fed, but no current flows.

What is wrong
    A wire to the load, its fuse, its ground or the load itself is open; or an LED lamp draws less than the
    controller can sense.
Speaks for it
    Command on, voltage there, and no current from the first moment.
Speaks against it
    Current that flows, even for a moment; no voltage at the terminal.
Next test
    Measure the voltage at the load's own two pins while the output is on: full voltage is a dead load, none an open
    wire.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="load-open",
    scope="output",
    question="load",
    weight=8,
    chances={
        "current": {"flows": 0.02, "none": 0.97, "gives out": 0.01},
        "limit": {"below": 0.996, "for a moment": 0.002, "above": 0.002},
        "voltage": {"there": 0.97, "none": 0.03},
        "stray": {"no": 0.995, "yes": 0.005},
    },
    module=__name__,
)
