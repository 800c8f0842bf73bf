"""Streams, by the path of old."""

from canlens.trace import Streams, streams_of

__all__ = ["Streams", "streams_of"]
