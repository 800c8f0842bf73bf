"""nobody-acknowledges: one sender alone, and nobody answers it.

What is wrong
    One node is awake and sends, and no other node is there to acknowledge: the others sleep, their branch is open,
    or the recorder is alone with it and only listens.
Speaks for it
    One frame again and again, or none, and errors of which nearly all say that the acknowledgement was missing.
Speaks against it
    Frames of several identifiers.
Next test
    Ignition on and record again; then measure H to L at the node's own plug.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="nobody-acknowledges",
    scope="bus",
    question="traffic",
    weight=4,
    chances={
        "frames": {"none": 0.5, "one": 0.48, "many": 0.02},
        "error-flood": {"no": 0.25, "yes": 0.75},
        "acknowledge": {"no": 0.02, "yes": 0.98},
        "ohms": {"short": 0.002, "three": 0.002, "two": 0.9, "one": 0.03, "open": 0.04, "odd": 0.026},
    },
    module=__name__,
)
