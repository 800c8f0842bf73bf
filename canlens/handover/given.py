"""Given: the files that a job was made of, their bytes, and where their copies stand in a hand-over."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

from canlens.errors import UsageError
from canlens.results.handover import InputRow

if TYPE_CHECKING:
    from canlens.job import JobDetails
    from canlens.nouns.bus import RecordingResult
    from canlens.plan import Plan
    from canlens.results.handover import Role


INPUTS = "inputs"
"""Folder of the copies."""
DEEPEST = 3
"""Folders above plan and databases that are kept as they are, so that the copied plan finds its databases."""


@dataclass(frozen=True)
class Given:
    """The files of a job as the user named them; None where there is none.

    ``details`` is what the file ``job`` says.
    """

    plan: str
    marks: str | None = None
    readings: str | None = None
    observed: str | None = None
    job: str | None = None
    details: JobDetails | None = None

    def named_files(self) -> list[tuple[Role, str]]:
        """Return the files that the job details name; their paths start from the folder of the details."""
        if self.details is None or self.job is None:
            return []
        named: list[tuple[Role, str | None]] = [
            ("configuration", self.details.controller.configuration_file),
            ("before-baseline", self.details.before.baseline),
        ]
        folder = Path(self.job).parent
        return [(role, str(folder / name)) for role, name in named if name]


def read_sources(plan: Plan, given: Given, recordings: tuple[RecordingResult, ...], *, flat: bool) -> list[InputRow]:
    """Read and hash the files of a job; recordings, configuration and baseline are hashed only.

    With ``flat`` all copies stand in one folder; otherwise plan and databases keep their places to each other. Raises
    a UsageError if one cannot be read, or the configuration has not the hash that the job details give.
    """
    databases = [file for file in plan.database.files if Path(file).is_file()]
    targets = _targets(given.plan, databases, flat=flat)
    copied: list[tuple[Role, str]] = [("plan", given.plan), *(("database", file) for file in databases)]
    others: list[tuple[Role, str | None]] = [
        ("marks", given.marks),
        ("readings", given.readings),
        ("observed", given.observed),
        ("job", given.job),
    ]
    copied += [(role, file) for role, file in others if file is not None]
    sources = [_read(role, file, _free(targets, role, file)) for role, file in copied]
    sources += [_read(role, file) for role, file in given.named_files()]
    _check_configuration(given, sources)
    return sources + [_recorded(each) for each in recordings]


def _targets(plan: str, databases: list[str], *, flat: bool) -> dict[str, str]:
    """Return where plan and databases go: as they lie to each other, or all in one folder."""
    paths = {file: PurePath(os.path.abspath(file)) for file in (plan, *databases)}  # noqa: PTH100 – lexical, as the plan's paths
    root = None if flat else _root(list(paths.values()))
    targets: dict[str, str] = {}
    for file, path in paths.items():
        if root is not None:
            targets[file] = f"{INPUTS}/{path.relative_to(root).as_posix()}"
        else:
            _free(targets, "database", file)
    return targets


def _root(paths: list[PurePath]) -> PurePath | None:
    """Return the folder that holds all of them; None where it lies too far above one."""
    try:
        root = PurePath(os.path.commonpath([path.parent for path in paths]))
    except ValueError:  # on different drives
        return None
    return root if all(len(path.relative_to(root).parts) <= DEEPEST for path in paths) else None


def _free(targets: dict[str, str], role: str, file: str) -> str:
    """Return the place of a copy, and note it; a name that is taken gets its role, and a number, before it."""
    if file in targets:
        return targets[file]
    name = PurePath(file).name
    tries = [name, f"{role}-{name}", *(f"{role}-{number}-{name}" for number in range(2, len(targets) + 3))]
    taken = {target.lower() for target in targets.values()}
    targets[file] = next(place for place in (f"{INPUTS}/{each}" for each in tries) if place.lower() not in taken)
    return targets[file]


def _read(role: Role, file: str, target: str | None = None) -> InputRow:
    """Read and hash a file; its bytes are kept where it is copied to a target."""
    try:
        content = Path(file).read_bytes()
    except OSError as error:
        raise UsageError(f"{file}: cannot be read for the hand-over: {error.strerror or error}.") from error
    kept = None if target is None else content
    return InputRow(role, file, hashlib.sha256(content).hexdigest(), len(content), target, kept)


def _recorded(recording: RecordingResult) -> InputRow:
    path = Path(recording.file)
    size = path.stat().st_size if recording.file not in {"", "-"} and path.is_file() else None
    return InputRow("recording", recording.file, recording.sha256 or None, size)


def _check_configuration(given: Given, sources: list[InputRow]) -> None:
    """Raise a sentence if the configuration file is not the one whose hash the job details give."""
    wanted = given.details.controller.configuration_sha256 if given.details else None
    for each in sources:
        if each.role == "configuration" and wanted is not None and each.sha256 != wanted.lower():
            raise UsageError(
                f"{given.job}: controller.configuration_sha256: expected the hash of {each.file}, {each.sha256}, found "
                f"{wanted}. Name the file that was in the controller."
            )
