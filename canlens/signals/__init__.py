"""Signals: Trace and message definitions in, whole decoded columns out.

::

    Trace ─lookup→ rows of a message, rows of a signal ─payloads→ words → raw → value ─decoding→ Signal
"""

from canlens.signals.decoding import Signal, decode, decode_signals
from canlens.signals.lookup import find_rows
from canlens.signals.payloads import Floats, Raw

__all__ = ["Floats", "Raw", "Signal", "decode", "decode_signals", "find_rows"]
