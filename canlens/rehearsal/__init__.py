"""rehearsal: a plan and a fault → the log that such an install would give, with a known answer.

::

    Plan ─schedule→ what the person does ─install, faults→ what there is ─simulation→ Trace, with marks,
    readings, truth
"""

from canlens.rehearsal.candump_text import candump_text, write_candump
from canlens.rehearsal.faults import FAULTS
from canlens.rehearsal.nouns import InjectedFault, Rehearsal, Truth
from canlens.rehearsal.rehearsing import make_rehearsal

__all__ = [
    "FAULTS",
    "InjectedFault",
    "Rehearsal",
    "Truth",
    "candump_text",
    "make_rehearsal",
    "write_candump",
]
