"""The engine: what a format says of one line, and the reading of millions that look alike.

::

    bytes ─line_files→ blocks of lines ─blocks→ rows ─assembly→ Trace
                                          ↑ layouts ←compiling─ FrameLine ←grammar─ one line

Formats that python-can reads come as its messages instead, see :mod:`canlens.readers.engine.foreign_messages`. Here is
what a new format of one line a record needs.
"""

from canlens.readers.engine.grammar import Constants, Dialect, FrameLine, Grammar, OtherLine, Span
from canlens.readers.engine.line_files import line_reader

__all__ = ["Constants", "Dialect", "FrameLine", "Grammar", "OtherLine", "Span", "line_reader"]
