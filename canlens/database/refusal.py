"""What the parser says: its remarks, and why it refuses a file, in plain words with a line."""

from __future__ import annotations

import logging
import re
from contextlib import contextmanager
from typing import TYPE_CHECKING

from canlens.errors import DatabaseError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database.dbc_text import DbcText
    from canlens.database.source import Text

_SYNTAX = re.compile(r"[Ii]nvalid syntax at line (?P<line>\d+), column (?P<column>\d+)")
_UNUSED = re.compile(r"unused (?P<keyword>VAL_|SIG_VALTYPE_) entries in DBC:\s+\w+ (?P<number>\d+) (?P<signal>\w+)")
_TOO_MANY_BITS = re.compile(r"frame id (?P<identifier>0x\w+) is more than (?P<bits>\d+) bits in message (?P<name>\w+)")
_NO_BITS = re.compile(r"signal (?P<signal>\S+) length (?P<length>-?\d+) is not greater than 0 in message (?P<name>\w+)")
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


def refusal(source: Text, dbc: DbcText, reason: Exception | None) -> DatabaseError:
    """Turn a refusal of the parser into a sentence for the installer.

    Parameters
    ----------
    source
        The file.
    dbc
        Its entries; empty for the other formats.
    reason
        What the parser raised.
    """
    said = str(reason)
    for pattern, explain in _EXPLANATIONS:
        if match := pattern.search(said):
            line, sentence = explain(match, source, dbc)
            return DatabaseError(source.file, sentence, line=line)
    if isinstance(reason, KeyError) and reason.args:
        name = str(reason.args[0])
        line = dbc.line_with(rf'^[ \t]*BA_(?:REL_)?[ \t]+"{re.escape(name)}"')
        sentence = (
            f'expected a line BA_DEF_ that defines "{name}" before it is used, found none.'
            " Add the definition, or remove the lines that use it."
        )
        return DatabaseError(source.file, sentence, line=line)
    sentence = (
        f"this is no {source.format.upper()} file that can be read ({said.rstrip('.')})."
        " Check that it is the right file, or save it again from the program that made it."
    )
    return DatabaseError(source.file, sentence)


def _syntax(match: re.Match[str], source: Text, dbc: DbcText) -> tuple[int, str]:
    line, column = int(match["line"]), int(match["column"])
    lines = dbc.text.split("\n")
    found = lines[line - 1][column - 1 :].strip()[:LONGEST_QUOTE] if line <= len(lines) else ""
    quoted = f"found `{found}`" if found else "found the end of the line"
    if source.format == "dbc":
        kind = "a DBC entry such as BO_, SG_, CM_ or VAL_, complete and closed"
    else:
        kind = f"an entry of the {source.format.upper()} format"
    return line, f"expected {kind}, {quoted}. Correct or remove this entry."


def _unused(match: re.Match[str], _: Text, dbc: DbcText) -> tuple[int, str]:
    line = dbc.line_with(rf"^[ \t]*{match['keyword']}[ \t]+{match['number']}[ \t]+{match['signal']}\b")
    what = "value table" if match["keyword"] == "VAL_" else "float type"
    return line, (
        f"expected a signal {match['signal']} in the message numbered {match['number']}, to which this {what}"
        " belongs, found none. Correct the name or the number, or remove the entry."
    )


def _too_many_bits(match: re.Match[str], _: Text, dbc: DbcText) -> tuple[int, str]:
    mend = "Correct the number after BO_."
    if int(match["identifier"], 16) < 1 << 29:
        mend = "If it is a 29-bit identifier, add 2147483648 to the number after BO_."
    return dbc.line_of_message(match["name"]), (
        f"expected an identifier of at most {match['bits']} bits for message {match['name']}, found"
        f" {match['identifier']}. {mend}"
    )


def _no_bits(match: re.Match[str], _: Text, dbc: DbcText) -> tuple[int, str]:
    line = dbc.line_with(rf"^[ \t]*SG_[ \t]+{match['signal']}\b") or dbc.line_of_message(match["name"])
    return line, (
        f"expected a length of at least 1 bit for signal {match['signal']} of message {match['name']}, found"
        f" {match['length']}. Correct it."
    )


def _xml(match: re.Match[str], source: Text, _: DbcText) -> tuple[int, str]:
    return int(match["line"]), (
        f"expected well-formed XML of a {source.format.upper()} file, found trouble ({match['reason']})."
        " Save the file again from the program that made it."
    )


_EXPLANATIONS = (
    (_SYNTAX, _syntax),
    (_UNUSED, _unused),
    (_TOO_MANY_BITS, _too_many_bits),
    (_NO_BITS, _no_bits),
    (_XML, _xml),
)
