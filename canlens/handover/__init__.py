"""Hand-over: a checked job → a folder that lasts: page, customer sheet, tables, inputs, hashes."""

from __future__ import annotations

from canlens.handover.contents import write_handover
from canlens.handover.given import Given

__all__ = ["Given", "write_handover"]
