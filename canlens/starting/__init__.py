"""starting: what was found, or a bare DBC → a first DBC and a first plan, for a person to go on with.

::

    DiscoveryResult ─found_bits→ FoundBits ─dbc_text, plan_text→ the files
"""

from canlens.starting.dbc_text import found_dbc_text
from canlens.starting.found_bits import FoundBits, FoundControl, found_bits
from canlens.starting.plan_text import bare_plan_text, found_plan_text

__all__ = ["FoundBits", "FoundControl", "bare_plan_text", "found_bits", "found_dbc_text", "found_plan_text"]
