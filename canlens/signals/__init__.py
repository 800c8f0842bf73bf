"""Signals: Trace and message definitions in, whole decoded columns out.

::

    Trace ─lookup→ rows of a message ─frames→ rows of a signal ┐
                                     ─payloads→ words ─────────┴─extraction→ raw ─scaling→ value: a Signal
"""

from canlens.signals.decoding import decode, decode_signals
from canlens.signals.lookup import find_rows
from canlens.signals.nouns import Floats, Raw, Signal

__all__ = ["Floats", "Raw", "Signal", "decode", "decode_signals", "find_rows"]
