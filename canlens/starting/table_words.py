"""Table words: which entries of a value table say nothing of a control."""

from __future__ import annotations

import re

UNKNOWN_WORDS = re.compile(
    r"fault|error|invalid|not.?(fitted|avail|used|valid)|unavail|reserved|\bsna\b", re.IGNORECASE
)
"""Entries of a value table that say nothing of the control."""
