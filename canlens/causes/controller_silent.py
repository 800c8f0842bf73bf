"""controller-silent: traffic, but not one message of the controller.

What is wrong
    The controller has no supply or ground, is not on this bus, or works at another bit rate.
Speaks for it
    A node named in the plan, none of whose messages came, on a bus with traffic.
Speaks against it
    Any frame of the controller.
Next test
    Measure the controller's supply and ground at its own plug, under load; then H and L there.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="controller-silent",
    scope="controller",
    question="controller",
    weight=8,
    chances={
        "controller": {"come": 0.002, "none": 0.998},
    },
    module=__name__,
)
