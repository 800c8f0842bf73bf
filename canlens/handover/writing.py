"""Writing a hand-over: into a folder of its own, over nothing that is there unless that was asked for."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from canlens.handover.contents import MANIFEST, SUMS, contents
from canlens.handover_results import HANDOVER_SCHEMA
from canlens.whole_files import require_empty, write_into

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canlens.checkup import Checkup
    from canlens.handover.given import Given
    from canlens.trace import Trace


def write_handover(
    checkup: Checkup,
    folder: Path,
    given: Given,
    *,
    traces: Sequence[Trace] = (),
    channel: str | None = None,
    redact: bool = False,
    decimal_comma: bool = False,
    force: bool = False,
) -> tuple[str, ...]:
    """Write all that a checked job leaves behind into a folder, which is made if it is not there.

    Parameters
    ----------
    checkup
        The answer of ``check``.
    folder
        Where to write; see :func:`canlens.whole_files.require_empty`.
    given
        The files that the job was made of.
    traces
        Its recordings, in order; without them the page quotes no frames and draws no currents.
    channel
        As it was given when they were judged.
    redact
        Whether to take out what identifies the vehicle.
    decimal_comma
        Whether tables have decimal commas, and semicolons between their columns.
    force
        Whether to write over an earlier hand-over.

    Returns
    -------
    tuple of str
        The files written, as paths inside the folder.

    Raises
    ------
    UsageError
        The folder is in use, or a file cannot be read or written.
    """
    require_empty(folder, force=force)
    files = contents(checkup, given, traces=traces, channel=channel, redact=redact, decimal_comma=decimal_comma)
    if force:
        _clear(folder)
    write_into(folder, files)
    return tuple(files)


def _clear(folder: Path) -> None:
    """Remove the files of an earlier hand-over, so that none of it stays beside the new one; others are left alone."""
    try:
        earlier = json.loads((folder / MANIFEST).read_bytes())
    except (OSError, ValueError):
        return
    if not isinstance(earlier, dict) or earlier.get("schema") != HANDOVER_SCHEMA:
        return
    rows = earlier.get("files")
    for row in rows if isinstance(rows, list) else []:
        if isinstance(row, dict):
            _remove(folder, str(row.get("file")), str(row.get("sha256")))
    for name in (MANIFEST, SUMS):
        (folder / name).unlink(missing_ok=True)


def _remove(folder: Path, name: str, sha256: str) -> None:
    """Remove a file inside the folder if it is still the one that was written."""
    path = (folder / name).resolve()
    inside = path.is_relative_to(folder.resolve()) and path.is_file()
    if inside and hashlib.sha256(path.read_bytes()).hexdigest() == sha256:
        path.unlink()
