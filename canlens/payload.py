"""Payload, by the path of old."""

from canlens.trace import Payload

__all__ = ["Payload"]
