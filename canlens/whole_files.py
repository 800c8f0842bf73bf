"""Whole files: what is written is there as a whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from canlens.errors import UsageError


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
