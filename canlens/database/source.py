"""A database file as text: bytes, encodings, and which format the content is."""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol, runtime_checkable

from canlens.errors import DatabaseError


@runtime_checkable
class Readable(Protocol):
    """A file object, text or binary."""

    def read(self) -> str | bytes:
        """Return the whole content."""


Source = str | os.PathLike[str] | Readable
Sources = Source | Iterable[Source]
Format = Literal["dbc", "kcd", "sym", "arxml"]

SUFFIXES: dict[str, Format] = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}
"""File names that say what the content is, for content that does not."""

HEAD = 4096
"""How much of a text is looked at to tell the format [characters]; long XML comments may stand in front."""


@dataclass(frozen=True)
class Text:
    r"""One database file, decoded.

    Attributes
    ----------
    text
        Its content, every line ended by ``\n``.
    odd_line
        First line with a byte that no supported encoding knows; 0 if there is none.
    """

    file: str
    text: str
    format: Format
    odd_line: int = 0


def read_text(source: Source) -> Text:
    """Read a path or a file object and tell its format.

    Raises
    ------
    DatabaseError
        The file cannot be read, is empty, or is a web page.
    """
    file, content = _content(source)
    odd_line = 0
    if isinstance(content, bytes):
        text = _decode(content)
        if "\N{REPLACEMENT CHARACTER}" in text:
            odd_line = text.count("\n", 0, text.index("\N{REPLACEMENT CHARACTER}")) + 1
    else:
        text = content.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    if not text.strip():
        raise DatabaseError(file, "the file is empty. Save or download it again.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return Text(file, text, _format(file, text), odd_line)


def _content(source: Source) -> tuple[str, bytes | str]:
    if isinstance(source, str | os.PathLike):
        file = os.fspath(source)
        try:
            return file, Path(file).read_bytes()
        except FileNotFoundError:
            raise DatabaseError(file, "there is no such file. Check the name and the folder.") from None
        except OSError as error:
            raise DatabaseError(file, f"the file cannot be read ({error.strerror}).") from error
    name = getattr(source, "name", "")
    return name if isinstance(name, str) and name else "database", source.read()


def _decode(content: bytes) -> str:
    """Decode UTF-8 and UTF-16, each with or without its mark, else the Windows code page 1252."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    if len(content) > 1 and content[:2].count(0) == 1:  # half of a letter of ASCII is 0 in UTF-16
        return content.decode("utf-16-le" if content[1] == 0 else "utf-16-be", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _format(file: str, text: str) -> Format:
    head = text[:HEAD].lstrip()
    start = head.lower()
    by_suffix = SUFFIXES.get(Path(file).suffix.lower())
    if head.startswith("<"):
        if "<!doctype html" in start or "<html" in start:
            raise DatabaseError(
                file,
                "expected a DBC, KCD, SYM or ARXML file, found a web page."
                " Download the file itself (often a link named Raw or Download), not the page that shows it.",
            )
        if "<AUTOSAR" in head:
            return "arxml"
        return "arxml" if by_suffix == "arxml" and "NetworkDefinition" not in head else "kcd"
    return "sym" if by_suffix == "sym" or head.startswith("FormatVersion") else "dbc"
