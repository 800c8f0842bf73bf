"""Whole files: what is written is there as a whole or not at all; and folders that may be written into."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from canlens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


def replace_file(path: Path, content: bytes) -> None:
    """Write a file so that it is there as a whole or not at all.

    What is no plain file (a pipe, a device) is written to directly, since it cannot be replaced.

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    target = Path(os.path.realpath(path))
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(content)
            return
        beside = target.with_name(f".{target.name[:100]}.{os.getpid()}.part")
        try:
            beside.write_bytes(content)
            beside.replace(target)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}.") from error


def write_into(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write files into a folder, which is made if it is not there.

    Parameters
    ----------
    folder
        Where to write; ask :func:`require_empty` or :func:`require_free` before the work.
    files
        The content by the path inside the folder.

    Raises
    ------
    UsageError
        If the folder cannot be made or a file cannot be written.
    """
    for name, content in files.items():
        target = folder / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{target.parent}: cannot be made: {error.strerror or error}.") from error
        replace_file(target, content)


def require_empty(folder: Path, *, force: bool) -> None:
    """Raise a sentence unless a folder is not there, is empty, or may be written over.

    Raises
    ------
    UsageError
        It is a file, or something is in it and ``force`` is not set.
    """
    _require_no_file(folder)
    if folder.is_dir() and not force and any(folder.iterdir()):
        raise UsageError(f"{folder}: is not empty. Name another folder, or write over it with --force.")


def require_free(folder: Path, names: Iterable[str], *, force: bool) -> None:
    """Raise a sentence unless a folder holds none of some files, or they may be written over.

    Raises
    ------
    UsageError
        The folder is a file, or one of the files is in it and ``force`` is not set.
    """
    _require_no_file(folder)
    there = [name for name in names if (folder / name).exists()]
    if there and not force:
        raise UsageError(f"{folder / there[0]}: is there already. Name another folder, or write over it with --force.")


def _require_no_file(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder}: expected a folder, found a file. Name another one.")
