"""Hand-over: a checked job → a folder that lasts: page, customer sheet, tables, inputs, hashes."""

from canlens.handover.given import Given
from canlens.handover.writing import write_handover

__all__ = ["Given", "write_handover"]
