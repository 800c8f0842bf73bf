"""Files that a person names on the command line, looked at before they are read."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from canlens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

STANDARD_STREAM = "-"


def require_file(name: str, *, what: str) -> None:
    """Raise a sentence if there is no such file to read.

    Parameters
    ----------
    name
        As the user wrote it; ``-`` is always there.
    what
        What it should be, such as ``the plan``.

    Raises
    ------
    UsageError
        If it is not there, or is a folder; names in the same folder that look alike are told.
    """
    if name == STANDARD_STREAM:
        return
    path = Path(name)
    if path.is_dir():
        raise UsageError(f"{name}: expected {what}, found a folder. Name the file inside it.")
    if path.exists():
        return
    folder = path.parent
    if not folder.is_dir():
        raise UsageError(f"{name}: expected {what}, but there is no folder {folder}.")
    beside = [each.name for each in folder.iterdir() if each.is_file()]
    close = get_close_matches(path.name, beside, n=3)
    hint = f" Close names: {', '.join(close)}." if close else ""
    raise UsageError(f"{name}: expected {what}, but there is no such file.{hint}")


def require_plan(name: str) -> None:
    """Raise a sentence if there is no such plan to read; standard input can be none."""
    if name == STANDARD_STREAM:
        raise UsageError("-: the plan must be a file, since the paths in it start from its folder.")
    require_file(name, what="the plan")


def require_beside(name: str | None, *, what: str) -> None:
    """Raise a sentence if what goes with a recording is not there to be read; standard input is the recording's.

    Parameters
    ----------
    name
        As the user wrote it; None if it was not given.
    what
        What it should be, such as ``the marks``.
    """
    if name == STANDARD_STREAM:
        raise UsageError(f"-: {what} must be a file.")
    if name is not None:
        require_file(name, what=what)


def require_place(name: str, sources: Sequence[str | None]) -> None:
    """Raise a sentence if a result cannot be written into a file of this name, before the work that it is made by.

    Parameters
    ----------
    name
        As the user wrote it.
    sources
        Files that are read; None for those that were not given.

    Raises
    ------
    UsageError
        If it is a folder, lies in a folder that is not there, or is one of the files that are read.
    """
    target = Path(name)
    if target.is_dir():
        raise UsageError(f"{name}: expected a file to write, found a folder. Name a file inside it.")
    if not target.parent.is_dir():
        raise UsageError(f"{name}: there is no folder {target.parent} to write into. Make it, or name another one.")
    if not target.exists():
        return
    for source in sources:
        if source not in (None, STANDARD_STREAM) and target.samefile(source):
            raise UsageError(f"{name}: this would overwrite a file that is read. Name another one.")
