"""no-traffic: nothing on the bus.

What is wrong
    The bus sleeps, its lines are open or shorted to ground, a gateway keeps everything back, or the recorder is not
    connected or not listening.
Speaks for it
    A recording without any data or remote frame, and without a flood of errors.
Speaks against it
    Any frame; a short between the lines on the meter, which is a cause of its own.
Next test
    Ignition on, record again. If it stays empty: battery off, measure H to L; then battery on, H and L to ground.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="no-traffic",
    scope="bus",
    question="traffic",
    weight=16,
    chances={
        "frames": {"none": 0.998, "one": 0.001, "many": 0.001},
        "error-flood": {"no": 0.995, "yes": 0.005},
        "acknowledge": {"no": 0.99, "yes": 0.01},
        "ohms": {"short": 0.005, "three": 0.005, "two": 0.89, "one": 0.02, "open": 0.05, "odd": 0.03},
    },
    module=__name__,
)
