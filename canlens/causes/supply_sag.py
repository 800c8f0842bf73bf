"""supply-sag: the controller restarts when an output turns on.

What is wrong
    Its feed or ground is too thin, corroded or from a limited circuit: the load's current pulls its supply down,
    and it starts anew.
Speaks for it
    Its messages stop within a second after an output turns on and come back; the reported supply falls; outputs
    drop.
Speaks against it
    Gaps at other times; a steady supply; turning on without a gap.
Next test
    Measure the voltage at the controller's own plug, supply to ground, while the output turns on; then from battery
    minus to its ground pin.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="supply-sag",
    scope="controller",
    question="controller",
    weight=8,
    chances={
        "controller": {"come": 0.998, "none": 0.002},
        "restarts": {"none": 0.03, "at turn-on": 0.92, "elsewhere": 0.05},
        "supply": {"steady": 0.35, "sags": 0.65},
    },
    module=__name__,
)
