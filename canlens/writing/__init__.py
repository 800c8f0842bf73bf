"""writing: what was found, or a bare DBC → a first DBC and a first plan, for a person to go on with.

::

    DiscoveryResult ─found_bits→ FoundBits ─dbc_text, plan_text→ the files
"""

from __future__ import annotations

from canlens.writing.first_files import bare_plan_text, found_dbc_text, found_plan_text
from canlens.writing.found_bits import FoundBits, FoundControl, found_bits

__all__ = ["FoundBits", "FoundControl", "bare_plan_text", "found_bits", "found_dbc_text", "found_plan_text"]
