"""terminator-missing: one of the two terminators is gone.

What is wrong
    The plug that was taken off, or the module behind it, carried a terminator; the line now reflects, and late
    edges are read as wrong bits.
Speaks for it
    About 120 ohm between H and L; errors in the frames of all senders, in proportion to their edges.
Speaks against it
    About 60 ohm; errors in the frames of one sender alone, or only while an output is on. Without errors nothing is
    proven: short lines bear it.
Next test
    Battery off, measure H to L with the plug in and out.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="terminator-missing",
    scope="bus",
    question="errors",
    weight=4,
    chances={
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.02, "one": 0.94, "open": 0.02, "odd": 0.018},
        "error-rate": {"none": 0.15, "stray": 0.05, "some": 0.35, "many": 0.45},
    },
    module=__name__,
)
