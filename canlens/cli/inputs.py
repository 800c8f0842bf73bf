"""Files that a person names on the command line, looked at before they are read."""

from __future__ import annotations

from difflib import get_close_matches
from pathlib import Path

from canlens.errors import UsageError

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


def refuse_same_file(target: Path | None, sources: list[str]) -> None:
    """Raise a sentence if a file that is to be written is one of those that are read."""
    if target is None or not target.exists():
        return
    for source in sources:
        if source != STANDARD_STREAM and target.samefile(source):
            raise UsageError(f"{target}: this would overwrite a file that is read. Name another one.")
