"""Results of a hand-over: the classes whose fields are the keys of ``canlens/handover/1``."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Literal

from canlens.job import JobDetails
from canlens.results.check import Verdict
from canlens.results.form import Json, document, plain

if TYPE_CHECKING:
    from collections.abc import Mapping


HANDOVER_SCHEMA = "canlens/handover/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

Role = Literal[
    "plan", "database", "recording", "marks", "readings", "observed", "job", "configuration", "before-baseline"
]


@dataclass(frozen=True)
class InputRow:
    """One file that was read: its hash and size [bytes] as it lay on disk, and where its copy is, if there is one.

    ``sha256`` and ``size`` are null where the file could not be hashed, as standard input that is no recording.
    Recordings are not copied. A copy that was redacted has another hash than its input. ``content`` are the bytes of
    what is copied.
    """

    WRITTEN: ClassVar = "role file sha256 size copy"

    role: Role
    file: str
    sha256: str | None
    size: int | None
    copy: str | None = None
    content: bytes | None = None


@dataclass(frozen=True)
class FileRow:
    """One file that was written; ``file`` is its path inside the folder."""

    file: str
    what: str
    sha256: str
    size: int


@dataclass(frozen=True)
class DatabaseRow:
    """A database of the plan: the version it gives itself (empty if none), and its hash."""

    file: str
    version: str
    sha256: str | None


@dataclass(frozen=True)
class LeftOutRow:
    """Something that was removed from all that was written, and how often it was met; 0 where it is not counted."""

    what: str
    count: int


@dataclass(frozen=True)
class Manifest:
    """What a hand-over holds and rests on.

    ``not_tested`` is what the verdict does not cover. ``libraries`` are the versions of what read the files.
    ``job`` holds the details that were given, without what was redacted.
    """

    verdict: Verdict
    title: str
    redacted: bool
    left_out: tuple[LeftOutRow, ...]
    not_tested: tuple[str, ...]
    inputs: tuple[InputRow, ...]
    databases: tuple[DatabaseRow, ...]
    files: tuple[FileRow, ...]
    python: str
    libraries: dict[str, str]
    decimal_sign: Literal["point", "comma"]
    sign_off: tuple[str, ...]
    job: JobDetails | None = None


def to_dict(manifest: Manifest) -> dict[str, Json]:
    """Return the written form of a manifest; a reading that is no finite number is a text, such as ``inf``."""
    form = document(HANDOVER_SCHEMA, replace(manifest, job=None))
    form["job"] = None if manifest.job is None else _told(manifest.job.model_dump(mode="json"))
    return form


def _told(values: Mapping[str, object]) -> dict[str, Json]:
    """Return the keys that were filled in."""
    told: dict[str, Json] = {}
    for key, value in values.items():
        if isinstance(value, dict):
            inner = _told(value)
            if inner:
                told[key] = inner
        elif isinstance(value, float) and value in {float("inf"), float("-inf")}:
            told[key] = str(value)
        elif value not in (None, [], ()):
            told[key] = plain(value)
    return told
