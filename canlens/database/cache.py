"""Databases that were read before, kept in the user's cache folder as plain JSON.

A file is read again in a few hundredths of a second, and without the parser's import. What is kept is keyed by the
content of the database file, the parser's version and this package's own source, bears a checksum, and its types are
checked when it is read; anything else is passed over as if it were not there. ``CANLENS_NO_CACHE=1`` switches the
cache off.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from dataclasses import replace
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from canlens.database.nouns import Database

if TYPE_CHECKING:
    from pydantic import TypeAdapter

    from canlens.database.source import Text

SWITCH = "CANLENS_NO_CACHE"
MAGIC = "canlens database 2"
MOST_FILES = 200
"""Databases that are kept; the oldest go first (our choice: a workshop sees a few dozen)."""


def find(source: Text) -> Database | None:
    """Return the database that was kept for this content; None if there is none that can be trusted."""
    folder = _folder()
    if folder is None:
        return None
    key = _key(source)
    try:
        head, _, body = (folder / f"{key}.json").read_bytes().partition(b"\n")
        if head != _head(key, body):
            return None
        kept = _form().validate_json(body, strict=True)
    except (OSError, ValueError):
        return None
    problems = tuple(replace(problem, file=source.file) for problem in kept.problems)
    return replace(kept, problems=problems, files=(source.file,))


def keep(source: Text, database: Database) -> None:
    """Keep a database for the next time; where that cannot be, nothing happens."""
    folder = _folder(make=True)
    if folder is None:
        return
    key = _key(source)
    body = _form().dump_json(database)
    with contextlib.suppress(OSError):
        handle, place = tempfile.mkstemp(dir=folder, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_head(key, body) + b"\n" + body)
            Path(place).replace(folder / f"{key}.json")
        except OSError:
            Path(place).unlink(missing_ok=True)
            raise
        kept = sorted(folder.glob("*.json"), key=lambda each: each.stat().st_mtime_ns, reverse=True)
        for oldest in kept[MOST_FILES:]:
            oldest.unlink(missing_ok=True)


@cache
def _form() -> TypeAdapter[Database]:
    from pydantic import TypeAdapter  # noqa: PLC0415 – only those pay who read a database

    return TypeAdapter(Database)


def _head(key: str, body: bytes) -> bytes:
    return f"{MAGIC} {key} {hashlib.sha256(body).hexdigest()}".encode()


def _folder(*, make: bool = False) -> Path | None:
    """Return the folder, if it is ours alone; None where there is none, or where somebody else may write into it."""
    if os.environ.get(SWITCH, "") not in {"", "0"}:
        return None
    if os.name == "nt":
        root = os.environ.get("LOCALAPPDATA", "")
    else:
        root = os.environ.get("XDG_CACHE_HOME", "") or os.path.expanduser("~/.cache")  # noqa: PTH111 – never raises
    if not os.path.isabs(root):  # noqa: PTH117 – a text, perhaps empty
        return None
    folder = Path(root) / "canlens" / "databases"
    try:
        if make:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        status = folder.stat()
    except OSError:
        return None
    if os.name != "nt" and (status.st_uid != os.geteuid() or status.st_mode & (stat.S_IWGRP | stat.S_IWOTH)):
        return None
    return folder


def _key(source: Text) -> str:
    """Return a name for what is kept: it changes with the content and with the programs that read it."""
    about = f"{MAGIC}\0{_programs()}\0{source.format}\0{source.odd_line}\0"
    return hashlib.sha256(about.encode() + source.text.encode("utf-8", "surrogatepass")).hexdigest()


def _programs() -> str:
    """Return the parser's version and a print of our own source, without importing either."""
    own = [
        f"{file.name} {file.stat().st_size} {file.stat().st_mtime_ns}"
        for file in sorted(Path(__file__).parent.rglob("*.py"))
    ]
    spec = find_spec("cantools")
    parser = Path(spec.origin).parent if spec and spec.origin else None
    versions = sorted(file.name for file in parser.parent.glob("cantools-*.dist-info")) if parser else []
    return "\n".join((*own, *versions))
