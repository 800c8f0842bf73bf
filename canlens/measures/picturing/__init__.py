"""Picturing: what the pages of a result show, prepared so that reports need not compute anything."""

from __future__ import annotations

from canlens.measures.picturing.comparisons import drawn_comparison
from canlens.measures.picturing.lanes import drawn, drawn_recording, drawn_recordings

__all__ = ["drawn", "drawn_comparison", "drawn_recording", "drawn_recordings"]
