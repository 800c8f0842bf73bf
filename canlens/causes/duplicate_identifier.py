"""duplicate-identifier: two nodes send under one identifier.

What is wrong
    What was fitted uses an identifier that the vehicle uses already; receivers see two values in turn, and where
    both start at once their frames break.
Speaks for it
    Two beats or two counters under one identifier, or twice the declared rate.
Speaks against it
    One beat and one counter.
Next test
    Unplug what was fitted last: does the identifier fall to half its rate?
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="duplicate-identifier",
    scope="bus",
    question="identifiers",
    weight=2,
    chances={
        "identity": {"one": 0.1, "rate": 0.25, "two": 0.65},
    },
    module=__name__,
)
