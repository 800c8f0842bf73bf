"""wrong-bit-rate: recorder or controller use another bit rate than the bus.

What is wrong
    The recorder listens at another bit rate, and takes every frame for an error; or the controller does so, and
    destroys what others send.
Speaks for it
    A recording of nothing but error records at the start of frames; a controller without messages on a bus full of
    errors.
Speaks against it
    Frames that came through; errors that say that only the acknowledgement was missing.
Next test
    Set the recorder to 125, 250, 500 and 1000 kbit/s in turn, listening only; the right one shows frames and no
    errors.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="wrong-bit-rate",
    scope="bus",
    question="traffic",
    weight=4,
    chances={
        "frames": {"none": 0.985, "one": 0.005, "many": 0.01},
        "error-flood": {"no": 0.25, "yes": 0.75},
        "acknowledge": {"no": 0.97, "yes": 0.03},
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.97, "one": 0.005, "open": 0.003, "odd": 0.02},
    },
    module=__name__,
)
