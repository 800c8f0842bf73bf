"""Picturing: what the pictures of a page show, prepared so that they need not compute anything."""

from __future__ import annotations

from canlens.measures.picturing.lanes import drawn_recording, drawn_recordings

__all__ = ["drawn_recording", "drawn_recordings"]
