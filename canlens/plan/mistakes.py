"""The mistakes of one TOML file while it is being read: collected, each key once, and raised all together."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING, TypeAlias

from canlens.errors import Mistake

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.errors import PlanError, TableError

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
