"""Files that a person wrote: their text, or the reason why there is none."""

from __future__ import annotations

import os
import re
import tomllib
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from canlens.errors import Mistake
from canlens.plan.mistakes import close_names, shown

if TYPE_CHECKING:
    from canlens.errors import PlanError, TableError

File: TypeAlias = str | os.PathLike[str]

_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_OTHER_KINDS = (
    (re.compile(r'^\s*(VERSION\s*"|NS_\s*:|BS_\s*:|BU_\s*:|BO_ \d)', re.MULTILINE), "a DBC file"),
    (re.compile(r"^\(\d+\.\d+\)\s+\S+\s+[0-9A-Fa-f]+#", re.MULTILINE), "a recording"),
    (re.compile(r"^\s*date\s.*\n\s*base\s", re.MULTILINE | re.IGNORECASE), "a recording"),
    (re.compile(r"^\s*<"), "a page or an XML file"),
    (re.compile(r"^\s*\{"), "a JSON file"),
)
_TOML_ADVICE = (
    (re.compile(r"Illegal character '\\n'|Unterminated"), "the quotation mark that ends a text is missing"),
    (re.compile(r"Expected newline.*\n.*=\s*[+-]?\d+,\d"), "write a number with a point, not a comma"),
    (re.compile(r"(Invalid value|Expected newline).*\n[^=]*=\s*[A-Za-z]"), "a text stands between quotation marks"),
)
"""What the parser's sentence and the line behind it mean for a person who never heard of TOML."""


def read_bytes(file: File, error: type[PlanError | TableError], *, kind: str) -> bytes:
    """Return the content of a file.

    Parameters
    ----------
    file
        Its path.
    error
        What to raise if it cannot be read.
    kind
        What it should be, for the sentence: ``a plan``.
    """
    path = Path(file)
    try:
        return path.read_bytes()
    except FileNotFoundError:
        found, close = "no such file", _neighbours(path)
    except IsADirectoryError:
        found, close = "a folder", ()
    except (OSError, ValueError) as trouble:  # ValueError: a NUL in the path
        found, close = getattr(trouble, "strerror", None) or str(trouble), ()
    raise error(os.fspath(file), (Mistake("the file", f"{kind} that can be read", found, close),))


def read_toml(file: File, error: type[PlanError | TableError], *, kind: str) -> dict[str, object]:
    """Return the content of a TOML file; arguments as :func:`read_bytes`."""
    content = read_bytes(file, error, kind=kind)
    name = os.fspath(file)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        line = content.count(b"\n", 0, trouble.start) + 1
        found = f"the byte 0x{content[trouble.start]:02x}"
        raise error(name, (Mistake(f"line {line}", f"{kind} in TOML, which is UTF-8 text", found),)) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        mistake = Mistake("the file", f"{kind} in TOML", "tables or lists far too deep within one another")
    except ValueError as trouble:  # TOMLDecodeError, and a plain one for a number of thousands of digits
        mistake = _toml_mistake(text, str(trouble), kind=kind)
    raise error(name, (mistake,)) from None


def decoded(content: bytes) -> str:
    """Decode a table that a spreadsheet or an editor wrote; a byte that is no text becomes U+FFFD."""
    encoding = "utf-16" if content[:2] in {BOM_UTF16_LE, BOM_UTF16_BE} else "utf-8-sig"
    return content.decode(encoding, errors="replace")


def other_kind(text: str) -> str | None:
    """Return what a text is if it is a file of another kind than a plan or a table; None where nothing tells so."""
    if "\0" in text:
        return "a file that is no text"
    return next((name for pattern, name in _OTHER_KINDS if pattern.search(text)), None)


def _toml_mistake(text: str, trouble: str, *, kind: str) -> Mistake:
    """Turn the parser's sentence into a mistake; it may also be a file of another kind."""
    other = other_kind(text)
    if other:
        way = " ('canlens plan' begins a plan from it)" if (kind, other) == ("a plan", "a DBC file") else ""
        return Mistake("the file", f"{kind} in TOML", f"{other}{way}")
    place = _TOML_PLACE.search(trouble)
    line, column = place.groups() if place else (None, None)
    key = f"line {line}, column {column}" if line else "the end of the file" if place else "the file"
    found = trouble[: place.start()] if place else trouble
    written = text.split("\n")[int(line) - 1].strip() if line else ""
    where = f", in {shown(written)}" if written else ""
    hint = next((f" – {advice}" for pattern, advice in _TOML_ADVICE if pattern.search(f"{found}\n{written}")), "")
    return Mistake(key, "valid TOML", f"this: {found[:1].lower()}{found[1:]}{where}{hint}")


def _neighbours(path: Path) -> tuple[str, ...]:
    """Return files beside a missing one that bear a similar name."""
    try:
        return close_names(path.name, (other.name for other in path.parent.iterdir()))
    except OSError:
        return ()
