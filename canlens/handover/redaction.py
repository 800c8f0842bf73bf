"""Redaction: what tells which vehicle it is, taken out of nouns and texts before anything is written.

Taken out are: the texts of the identifying job details wherever they stand, whatever separates their parts; strings
that look like a vehicle identification number; folders of files; stamps and dates of the recordings. A text gets
``REMOVED_1`` and so on in its place, the same text always the same, so that names in a plan and its database still fit
each other.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import fields, is_dataclass
from dataclasses import replace as replaced
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel

from canlens.handover.clock_texts import without_clock
from canlens.handover_results import LeftOutRow

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canlens.handover.clock_texts import Clock

Noun = TypeVar("Noun")

SHORTEST = 3
"""Letters and digits of a text that is searched for everywhere; a shorter one may stand anywhere by chance."""
SHORTEST_NUMBER = 4
"""The same for a text of digits alone."""
VIN_LIKE = "texts that look like a vehicle identification number"
FOLDERS = "folders of files"
CLOCK = "the recorder's clock: times count from the first frame"

_WORD = re.compile(r"[^\W_]+")
_BEFORE, _BEHIND = r"(?<![^\W_])", r"(?![^\W_])"
_CODES = ("registration", "vin", "number", "fleet_number", "serial_number")
"""Fields in which separators may stand anywhere, or nowhere."""
_VIN = re.compile(
    # ISO 3779: 17 letters and digits of which the last four are digits. It allows no I, O and Q; people write them.
    rf"{_BEFORE}(?:(?i:(?=[0-9]*[A-Z])[A-Z0-9]{{13}}[0-9]{{4}})"
    rf"|(?=[A-Z]*[0-9])(?=[0-9]*[A-Z])[A-Z0-9]{{17}}){_BEHIND}"  # or in capitals, with a digit anywhere
)
_FOLDER = re.compile(
    r"(?:file:)?(?<![\w.~])/+(?:[^\s/\"'<>:;,()\[\]|]+/+)+"  # /home/x/
    r"|(?<![A-Za-z0-9])[A-Za-z]:[\\/]+(?:[^\\/\"'<>:;,()\[\]|\r\n]+[\\/]+)*"  # C:\Users\x\
    r"|\\\\+[^\\/\s\"'<>]+\\+(?:[^\\/\"'<>:\r\n]+\\+)*"  # \\server\share\
)


class Redaction:
    """Takes out what identifies the vehicle, and counts what it met.

    Parameters
    ----------
    secrets
        Key and text of each identifying detail.
    paths
        Files as the user named them; they keep their names and lose their folders.
    clocks
        Clocks of the recordings, whose stamps and dates are taken out of texts.
    """

    def __init__(self, secrets: Iterable[tuple[str, str]], paths: Iterable[str], clocks: Sequence[Clock] = ()) -> None:
        self._patterns: list[tuple[str, str, re.Pattern[str]]] = []
        self._tokens: dict[str, str] = {}
        self._counts: Counter[str] = Counter()
        self._kept: dict[int, tuple[object, object]] = {}
        for key, text in secrets:
            pattern = _pattern(key, text)
            self._counts[key] += 0
            if pattern is not None:
                self._patterns.append((key, _normal(text), pattern))
        self._patterns.sort(key=lambda each: -len(each[1]))
        self._paths = _spellings(paths)
        self._clocks = clocks

    def text(self, text: str) -> str:
        """Return a text without what identifies the vehicle."""
        for path, name in self._paths:
            if path in text:
                self._counts[FOLDERS] += text.count(path)
                text = text.replace(path, name)
        text, number = _FOLDER.subn("", text)
        self._counts[FOLDERS] += number
        for key, normal, pattern in self._patterns:
            if pattern.search(text):
                text, number = pattern.subn(self._token(normal), text)
                self._counts[key] += number
        text, number = without_clock(text, self._clocks, "REMOVED_DATE")
        self._counts[CLOCK] += number
        return _VIN.sub(self._without_vin, text)

    def _without_vin(self, match: re.Match[str]) -> str:
        self._counts[VIN_LIKE] += 1
        return self._token(_normal(match[0]))

    def touches(self, value: object) -> bool:
        """Return whether a value, or a text inside it, holds what identifies the vehicle."""
        if isinstance(value, str):
            counts = self._counts.copy()
            changed = self.text(value) != value
            self._counts = counts
            return changed
        if isinstance(value, dict):
            return any(self.touches(each) for pair in value.items() for each in pair)
        return isinstance(value, list | tuple) and any(map(self.touches, value))

    def noun(self, value: Noun) -> Noun:
        """Return a noun with every text inside it, at any depth, without what identifies the vehicle."""
        known = self._kept.get(id(value))
        if known is not None and known[0] is value:
            return known[1]  # type: ignore[return-value]
        changed: Any = self._changed(value)
        if not isinstance(value, str | int | float):
            self._kept[id(value)] = (value, changed)
        return changed  # type: ignore[no-any-return]

    def _changed(self, value: Any) -> Any:
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, dict):
            return {self.noun(key): self.noun(each) for key, each in value.items()}
        if isinstance(value, tuple | list):
            items = [self.noun(each) for each in value]
            return type(value)(*items) if hasattr(value, "_fields") else type(value)(items)
        if isinstance(value, BaseModel):
            return value.model_copy(update=self._parts(value, list(type(value).model_fields)))
        if is_dataclass(value) and not isinstance(value, type):
            parts = self._parts(value, [each.name for each in fields(value) if each.init])
            return replaced(value, **parts) if parts else value
        return value

    def _parts(self, value: object, names: list[str]) -> dict[str, Any]:
        """Return the attributes that changed."""
        own = {name: getattr(value, name) for name in names}
        new = {name: self.noun(each) for name, each in own.items()}
        return {name: each for name, each in new.items() if each is not own[name]}

    def left_out(self) -> tuple[LeftOutRow, ...]:
        """Return what was taken out, and how often it was met."""
        return tuple(LeftOutRow(what, count) for what, count in self._counts.items())

    def _token(self, normal: str) -> str:
        return self._tokens.setdefault(normal, f"REMOVED_{len(self._tokens) + 1}")


def _normal(text: str) -> str:
    """Return a text in small letters without what separates its parts."""
    return "".join(_WORD.findall(text)).lower()


def _pattern(key: str, text: str) -> re.Pattern[str] | None:
    """Return what finds a text however it is written; None where it is too short to be searched for."""
    words, normal = _WORD.findall(text), _normal(text)
    if len(normal) < (SHORTEST_NUMBER if normal.isdigit() else SHORTEST):
        return None
    if normal.isdigit():  # a date or a number: not a part of another number
        digits = r"[-_./ ]?".join(map(re.escape, words))
        return re.compile(rf"(?<![\d.]){digits}(?!\d|\.\d)")
    is_code = key.rpartition(".")[2] in _CODES
    written = r"[-_./ ]?".join(map(re.escape, normal)) if is_code else r"[\W_]{0,3}".join(map(re.escape, words))
    return re.compile(f"{_BEFORE}{written}{_BEHIND}", re.IGNORECASE)


def _spellings(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Return the ways to write each path that has a folder in it, with the name that is left of it, longest first."""
    found: dict[str, str] = {}
    for path in paths:
        for written in (path, os.path.normpath(path), os.path.abspath(path), os.path.realpath(path)):  # noqa: PTH100
            name = PurePath(written).name
            folder = os.path.dirname(written)  # noqa: PTH120 – as written
            for one in (written, written.replace("\\", "\\\\"), written.replace("\\", "/")):
                if one != name and name:
                    found[one] = name
            if os.path.isabs(folder) and len(PurePath(folder).parts) > 1:  # noqa: PTH117
                found[folder + os.sep] = ""
                found[folder] = ""
    return sorted(found.items(), key=lambda each: -len(each[0]))
