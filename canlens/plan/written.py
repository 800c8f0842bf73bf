"""Files that a person wrote: their text, or the reason why there is none, and all their mistakes at once."""

from __future__ import annotations

import os
import re
import tomllib
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from canlens.errors import Mistake

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.errors import PlanError, TableError


# Files that a person wrote: their text, or the reason why there is none.


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


# The mistakes of one TOML file while it is being read: collected, each key once, and raised all together.


Keys: TypeAlias = tuple[str, ...]
"""Where in a TOML file: the keys from the top down."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LONGEST_FOUND = 60
"""Characters of a wrong value that a sentence shows."""
_LONGEST_NUMBER = 30
"""Digits of a wrong number that a sentence shows."""


class Mistakes:
    """The mistakes of one TOML file.

    Parameters
    ----------
    file
        As the user named it.
    data
        What the file says; it gives the mistakes their order.
    """

    def __init__(self, file: str, data: Mapping[str, object]) -> None:
        self.file = file
        self.data = data
        self._found: dict[Keys, Mistake] = {}

    def __contains__(self, keys: Keys) -> bool:
        """Return whether the keys, or a table around them, were already found wrong."""
        return any(keys[:depth] in self._found for depth in range(1, len(keys) + 1))

    def add(self, keys: Keys, expected: str, found: str, *, close: Iterable[str] = ()) -> None:
        """Note a mistake, unless one was already noted there."""
        if keys not in self:
            self._found[keys] = Mistake(dotted(keys), expected, found, tuple(close))

    def raise_any(self, error: type[PlanError | TableError]) -> None:
        """Raise the error with all mistakes in file order, if there are any."""
        if self._found:
            ordered = sorted(self._found, key=self._place)
            raise error(self.file, tuple(self._found[keys] for keys in ordered))

    def _place(self, keys: Keys) -> tuple[int, ...]:
        """Return the position of the keys in the file; missing ones come last in their table."""
        place: list[int] = []
        table: object = self.data
        for key in keys:
            names = list(table) if isinstance(table, Mapping) else []
            place.append(names.index(key) if key in names else len(names))
            table = table[key] if isinstance(table, Mapping) and key in table else None
        return tuple(place)


def dotted(keys: Keys) -> str:
    """Write keys as TOML does: bare and joined by dots, in quotes where they must be."""
    return ".".join(key if _BARE_KEY.fullmatch(key) else f'"{key}"' for key in keys)


def shown(value: object) -> str:
    """Write a value of a TOML file for a sentence."""
    if isinstance(value, str):
        return f"'{value}'" if len(value) <= _LONGEST_FOUND else f"'{value[:_LONGEST_FOUND]}…'"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) >= 10**_LONGEST_NUMBER:
        return "a very long number"
    if isinstance(value, list | tuple | Mapping):
        kind = "table" if isinstance(value, Mapping) else "list"
        return f"a {kind}" if value else f"an empty {kind}"
    return str(value)


def close_names(name: str, known: Iterable[str]) -> tuple[str, ...]:
    """Return up to three known names that look like the one given, best first, whatever their capitals.

    Examples
    --------
    >>> close_names("hron", ["brake", "Horn", "horn_2"])
    ('Horn', 'horn_2')
    """
    by_small: dict[str, list[str]] = {}
    for candidate in known:
        by_small.setdefault(candidate.lower(), []).append(candidate)
    near = get_close_matches(name.lower(), by_small, n=3)
    return tuple(candidate for small in near for candidate in by_small[small])[:3]
