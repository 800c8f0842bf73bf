"""Databases: what the frames of a bus mean, read from DBC, KCD, SYM and ARXML files.

::

    file ─source→ text ─outline→ ─parsing (cantools)→ messages ─layout→ Database with its problems
                            └ what it refuses ─book→ mended text, once more
                       ─cache→ the same, read before

Only :mod:`canlens.database.parsing` knows cantools.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.database.nouns import ByteOrder, Database, DatabaseProblem, Message, SignalDefinition
from canlens.database.source import Source, Sources

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "ByteOrder",
    "Database",
    "DatabaseProblem",
    "Message",
    "SignalDefinition",
    "Source",
    "Sources",
    "read_database",
]


def read_database(source: Sources | Mapping[str, Sources]) -> Database:
    """Read one file, or several into one database.

    Parameters
    ----------
    source
        A path, a file object (text or binary), or a list of them; or a mapping of channel names to those, for
        databases that hold on one channel only. Content decides about the format: DBC, KCD, SYM or ARXML.

    Returns
    -------
    Database
        The first definition of an identifier counts; what could not be used as it stands is in ``problems``.

    Raises
    ------
    DatabaseError
        A file cannot be read at all; the sentence says where, what was found and what to do.
    """
    from canlens.database import loading  # noqa: PLC0415 – only readers of databases pay for it

    return loading.read_database(source)
