"""message-missing: a cyclic message of the DBC never came.

What is wrong
    The recording was made on another bus or connector, a gateway keeps the message back, or the DBC has another
    identifier.
Speaks for it
    Traffic, a message that the plan needs, and not one frame of it. A declared cycle time makes it nearly certain.
Speaks against it
    No declared cycle time: the message may be sent only while its control is operated.
Next test
    Record at the intended connector, with every control operated once.
"""

from __future__ import annotations

from canlens.causes.cause import Candidate

CANDIDATE = Candidate(
    name="message-missing",
    scope="bus",
    question="messages",
    weight=8,
    chances={
        "message": {
            "comes": 0.001,
            "cyclic, absent": 0.391,
            "sent on changes, absent": 0.008,
            "not needed, absent": 0.6,
        },
    },
    module=__name__,
)
