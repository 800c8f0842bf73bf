"""rehearsal: a plan and a fault → the log that such an install would give, with a known answer.

::

    Plan ─person→ what is operated ─install, faults→ what there is ─output_model, feed→ what the outputs do
        ─batches→ frames that are to be sent ─healthy_bus, faulty_bus→ frames that get through
        ─recorder→ Trace, with the marks and readings of the person, and the truth
"""

from canlens.rehearsal.rehearsals import FAULTS, InjectedFault, Rehearsal, Truth, rehearse
from canlens.rehearsal.written_rehearsal import candump_text, write_candump

__all__ = [
    "FAULTS",
    "InjectedFault",
    "Rehearsal",
    "Truth",
    "candump_text",
    "rehearse",
    "write_candump",
]
