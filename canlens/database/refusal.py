"""What the parser says: its remarks, and why nothing of a file can be used, in plain words."""

from __future__ import annotations

import logging
import re
from contextlib import contextmanager
from typing import TYPE_CHECKING

from canlens.errors import DatabaseError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database.source import Text

_SYNTAX = re.compile(r"[Ii]nvalid syntax at line (?P<line>\d+), column (?P<column>\d+)")
_XML = re.compile(r"(?P<reason>.+): line (?P<line>\d+), column \d+")
LONGEST_QUOTE = 60
"""Longest piece of a line that a sentence quotes [characters]."""


class _Listener(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.heard: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what was said."""
        self.heard.append(record.getMessage())


@contextmanager
def overheard() -> Iterator[list[str]]:
    """Collect what the parser says to the log meanwhile, instead of letting it out on standard error."""
    logger, listener = logging.getLogger("cantools"), _Listener()
    passed_on, logger.propagate = logger.propagate, False
    logger.addHandler(listener)
    try:
        yield listener.heard
    finally:
        logger.removeHandler(listener)
        logger.propagate = passed_on


def refusal(source: Text, reason: Exception | None) -> DatabaseError:
    """Turn a refusal of the parser into a sentence for the installer.

    Parameters
    ----------
    source
        The file.
    reason
        What the parser raised; None for a file without a single entry.
    """
    said = str(reason) if reason else "not one entry such as BO_, SG_ or VAL_ stands in it"
    name = source.format.upper()
    if match := _SYNTAX.search(said):
        line, column = int(match["line"]), int(match["column"])
        lines = source.text.split("\n")
        found = lines[line - 1][column - 1 :].strip()[:LONGEST_QUOTE] if line <= len(lines) else ""
        quoted = f"found `{found}`" if found else "found the end of the line"
        sentence = f"expected an entry of the {name} format, {quoted}. Correct or remove this entry."
        return DatabaseError(source.file, sentence, line=line)
    if match := _XML.search(said):
        sentence = (
            f"expected well-formed XML of a {name} file, found trouble ({match['reason']})."
            " Save the file again from the program that made it."
        )
        return DatabaseError(source.file, sentence, line=int(match["line"]))
    sentence = (
        f"this is no {name} file that can be read ({said.rstrip('.')})."
        " Check that it is the right file, or save it again from the program that made it."
    )
    return DatabaseError(source.file, sentence)
