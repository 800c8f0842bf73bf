"""Redaction: what tells which vehicle it is, taken out of results, copies and texts before anything is written."""

from __future__ import annotations

import os
import re
import tomllib
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections import Counter
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel

from canlens.checkup import Checkup
from canlens.handover.given import INPUTS
from canlens.plan import read_observed
from canlens.results.handover import InputRow, LeftOutRow

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canlens.nouns.outputs import Evidence
    from canlens.trace import Trace


# Clock texts: stamps and dates of a recording where they stand in texts, such as a damaged line or a file's name.


EARLIEST_S = 1e8
"""A recording whose first stamp is smaller counts from some beginning of its own and tells no date [s]."""
AROUND_S = 86400.0
"""Stamps this long before and after a recording are taken for its clock's [s]; our choice."""
AROUND = timedelta(days=31)
"""The same for dates, which may be those of a first look or of the hand-over."""

_STAMP = re.compile(r"(?<![A-Za-z0-9.])\d{9,11}(?:\.\d{1,9})?(?![A-Za-z0-9])")
_YEAR_FIRST = re.compile(r"(?<!\d)(?P<year>20\d\d)[-_./]?(?P<month>\d\d)[-_./]?(?P<day>\d\d)(?!\d)")
_YEAR_LAST = re.compile(r"(?<!\d)(?P<day>\d{1,2})[-_./](?P<month>\d{1,2})[-_./](?P<year>20\d\d)(?!\d)")


@dataclass(frozen=True)
class RecorderClock:
    """The clock of one recording: its first stamp, in seconds since 1970, and how long it lasted [s]."""

    start_s: float
    duration_s: float

    def since(self, stamp_s: float) -> float | None:
        """Return a stamp in seconds from the first frame; None where it lies far outside the recording."""
        since = stamp_s - self.start_s
        return since if -AROUND_S <= since <= self.duration_s + AROUND_S else None

    def is_near(self, day: date) -> bool:
        """Return whether a day lies around the recording."""
        return abs(day - datetime.fromtimestamp(self.start_s, UTC).date()) <= AROUND


def clocks(recordings: Sequence[tuple[float | None, float]]) -> tuple[RecorderClock, ...]:
    """Return the clocks of recordings, given first stamp and length [s], that tell a date."""
    latest = datetime(9999, 1, 1, tzinfo=UTC).timestamp()
    return tuple(RecorderClock(start, length) for start, length in recordings if start and EARLIEST_S < start < latest)


def without_clock(text: str, known: Sequence[RecorderClock], instead: str) -> tuple[str, int]:
    """Return a text with stamps as seconds from the first frame and dates replaced, and how many there were.

    Examples
    --------
    >>> without_clock("2026-03-09 run: (1773050400.25) can0", clocks([(1773050400.0, 60.0)]), "DAY")
    ('DAY run: (0.250000) can0', 2)
    """
    counted = 0

    def stamp(match: re.Match[str]) -> str:
        nonlocal counted
        since = next((s for clock in known if (s := clock.since(float(match[0]))) is not None), None)
        counted += since is not None
        return match[0] if since is None else f"{since:.6f}"

    def day(match: re.Match[str]) -> str:
        nonlocal counted
        near = any(clock.is_near(each) for each in _days(match) for clock in known)
        counted += near
        return instead if near else match[0]

    if known:
        text = _YEAR_LAST.sub(day, _YEAR_FIRST.sub(day, _STAMP.sub(stamp, text)))
    return text, counted


def _days(match: re.Match[str]) -> list[date]:
    """Return the days that a written date may mean: day and month may stand either way round."""
    year, one, other = (int(match[name]) for name in ("year", "month", "day"))
    days = []
    for month, day in ((one, other), (other, one)):
        try:
            days.append(date(year, month, day))
        except ValueError:  # there is no such day
            continue
    return days


# Redaction: what tells which vehicle it is, taken out of nouns and texts before anything is written.
#
# Taken out are: the texts of the identifying job details wherever they stand, whatever separates their parts; strings
# that look like a vehicle identification number; folders of files; stamps and dates of the recordings. A text gets
# ``REMOVED_1`` and so on in its place, the same text always the same, so that names in a plan and its database still
# fit
# each other.


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

    ``secrets`` are key and text of each identifying detail; ``paths`` keep their names and lose their folders; stamps
    and dates of the recordings' ``clocks`` are taken out of texts.
    """

    def __init__(
        self, secrets: Iterable[tuple[str, str]], paths: Iterable[str], clocks: Sequence[RecorderClock] = ()
    ) -> None:
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
            return replace(value, **parts) if parts else value
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


# Redacting a whole job: result, evidence and copies, with times that count from the first frame.


def redacted_checkup(checkup: Checkup, redaction: Redaction) -> Checkup:
    """Return a checkup without what identifies the vehicle, and without the stamps of the recorder's clock."""
    result, evidence = redaction.noun(checkup.result), redaction.noun(checkup.evidence)
    recordings = tuple(replace(each, start=None) for each in result.recordings)
    return Checkup(replace(result, recordings=recordings), tuple(map(_without_clock, evidence)))


def _without_clock(evidence: Evidence) -> Evidence:
    """Return evidence whose marks count from the first frame."""
    marks = tuple(
        replace(
            each,
            time_s=each.time_s + evidence.marks_offset_s,
            until_s=None if each.until_s is None else each.until_s + evidence.marks_offset_s,
        )
        for each in evidence.marks
    )
    return replace(evidence, recording=replace(evidence.recording, start=None), marks=marks, marks_offset_s=0.0)


def redacted_trace(trace: Trace, redaction: Redaction) -> Trace:
    """Return a recording whose stamps count from its first frame; bytes of frames stay as they are."""
    bare = redaction.noun(trace)
    return replace(bare, time_ns=trace.time_ns - trace.start_ns, origin_ns=0)


def redacted_copies(
    sources: list[InputRow], redaction: Redaction, checkup: Checkup
) -> tuple[dict[str, tuple[InputRow, bytes]], list[LeftOutRow]]:
    """Return input and content of the copies by path, without what identifies the vehicle, and what was left out.

    Plan, readings and databases keep their text, comments included; marks and observations are written anew, their
    times in seconds from the first frame. Job details are not copied: the manifest holds what is left of them. A text
    that could not be redacted for certain is left out.
    """
    copies: dict[str, tuple[InputRow, bytes]] = {}
    left_out: list[LeftOutRow] = []
    databases = [each for each in sources if each.role == "database"]
    for each in sources:
        if each.content is None or each.copy is None or each.role == "job":
            continue
        text = _redacted_text(each, databases, redaction, checkup)
        target = f"{INPUTS}/{redaction.text(PurePath(each.copy).name)}"
        if text is None or target in copies:
            left_out.append(LeftOutRow(f"the copy of the {each.role}: it could not be redacted for certain", 0))
            continue
        copies[target] = (each, text.encode("utf-8", "backslashreplace"))
    return copies, left_out


def _redacted_text(each: InputRow, databases: list[InputRow], redaction: Redaction, checkup: Checkup) -> str | None:
    assert each.content is not None  # noqa: S101  # only those with content are asked for
    if each.role == "marks":
        return _marks_text(checkup.evidence[0], redaction)
    if each.role == "observed":
        return _observed_text(each.file, checkup.evidence[0], redaction)
    text = _decoded(each.content)
    if each.role == "plan":
        text = _with_near_databases(text, databases)
    text = redaction.text(text)
    if each.role in {"plan", "readings"} and not _is_clean(text, redaction):
        return None
    return text


def _is_clean(text: str, redaction: Redaction) -> bool:
    """Return whether a redacted TOML can still be read and hides nothing behind escapes."""
    try:
        return not redaction.touches(tomllib.loads(text))
    except tomllib.TOMLDecodeError:
        return False


def _decoded(content: bytes) -> str:
    """Decode what an editor wrote: UTF-8 and UTF-16 with a mark, else the Windows code page 1252."""
    if content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _with_near_databases(text: str, databases: list[InputRow]) -> str:
    """Return the text of a plan that looks for its databases in its own folder, where their copies are."""
    names = {PurePath(each.file).name: PurePath(each.copy).name for each in databases if each.copy}
    for name, target in names.items():
        written = re.compile(rf"([\"'])(?:[^\"'\r\n]*[/\\])?{re.escape(name)}\1")
        text = written.sub(lambda match, target=target: f"{match[1]}{target}{match[1]}", text)  # type: ignore[misc]
    return text


def _marks_text(evidence: Evidence, redaction: Redaction) -> str:
    lines = ["time_s,label,until_s"]
    for each in _without_clock(evidence).marks:
        until = "" if each.until_s is None else f"{each.until_s:.3f}"
        lines.append(f"{each.time_s:.3f},{redaction.text(each.label)},{until}")
    return "\n".join([*lines, ""])


def _observed_text(file: str, evidence: Evidence, redaction: Redaction) -> str:
    """Write observations anew; stamps of a clock are brought to the first frame, or to their own first one."""
    rows = read_observed(file).observations
    first_s = min(each.time_s for each in rows)
    start_s = evidence.recording.start or 0.0
    shift_s = start_s if abs(first_s - start_s) < DAY_S else first_s if first_s > DAY_S else 0.0
    lines = ["time_s,output,on,amps,volts"]
    for each in rows:
        amps, volts = ("" if value is None else f"{value:g}" for value in (each.amps, each.volts))
        lines.append(f"{each.time_s - shift_s:.3f},{redaction.text(each.output)},{int(each.on)},{amps},{volts}")
    return "\n".join([*lines, ""])


DAY_S = 86400.0
"""A stamp that is greater than this is one of a clock, not seconds from the beginning."""
