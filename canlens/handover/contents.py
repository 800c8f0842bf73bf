"""Contents: a checked job → every file of its hand-over, written into a folder of its own."""

from __future__ import annotations

import hashlib
import json
import platform
import re
from dataclasses import dataclass, replace
from importlib import metadata
from typing import TYPE_CHECKING

from canlens.handover.given import Given, read_sources
from canlens.handover.redaction import Redaction, clocks, redacted_checkup, redacted_copies, redacted_trace
from canlens.job import identifying_texts, without_identity
from canlens.measures.outputs.exercises import exercise_rows, lanes
from canlens.reports.data_files import csv_tables, json_bytes
from canlens.reports.page import check_page
from canlens.reports.phrases import untested
from canlens.reports.sheet import SIGN_OFF, customer_sheet, job_record
from canlens.reports.text import PARTS, check_text
from canlens.results.handover import HANDOVER_SCHEMA, DatabaseRow, FileRow, InputRow, LeftOutRow, Manifest, to_dict
from canlens.whole_files import require_empty, write_into

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from canlens.checkup import Checkup
    from canlens.job import JobDetails
    from canlens.trace import Trace


# Contents: a checked job → every file of its hand-over, as bytes by path.


MANIFEST = "manifest.json"
SUMS = "SHA256SUMS"
"""Hashes of all files but itself, in the form that ``sha256sum --check`` reads."""
LIBRARIES = ("python-can", "cantools", "numpy")
"""What read and decoded the files."""

_VERSION = re.compile(r'^\s*VERSION\s+"((?:[^"\\]|\\.)*)"', re.MULTILINE)
HEAD = 65536
"""Bytes of a database in which its version is looked for."""

_WHAT = {
    "report.html": "the full report as a page",
    "customer-sheet.html": "one page for the customer; print it",
    "record.html": "the workshop's record: details, parts, readings, results, hashes; print it",
    "report.txt": "the full report as text",
    "check.json": "the result for other programs (canlens/check/1)",
    "tables/outputs.csv": "a row for each output",
    "tables/controls.csv": "a row for each control",
    "tables/findings.csv": "a row for each finding",
    "tables/causes.csv": "a row for each likely cause",
    "tables/exercises.csv": "a row for each exercise and its answer",
}


@dataclass(frozen=True)
class Job:
    """A job as it is handed over, redacted if that was asked for.

    Attributes
    ----------
    checkup, traces, details
        What was found, in which recordings, and what was given besides.
    sources
        The files that were read.
    copies
        Input and content of each copy, by its path.
    left_out
        What a redaction took out.
    redaction
        That redaction; None where nothing is taken out.
    """

    checkup: Checkup
    traces: Sequence[Trace]
    details: JobDetails | None
    sources: list[InputRow]
    copies: dict[str, tuple[InputRow, bytes]]
    left_out: tuple[LeftOutRow, ...] = ()
    redaction: Redaction | None = None


def contents(
    checkup: Checkup,
    given: Given,
    *,
    traces: Sequence[Trace] = (),
    channel: str | None = None,
    redact: bool = False,
    decimal_comma: bool = False,
) -> dict[str, bytes]:
    """Return every file of a hand-over by its path inside the folder; the manifest and the hashes come last.

    Parameters are those of :func:`canlens.handover.write_handover`.

    Raises
    ------
    UsageError
        A file that was given cannot be read any more.
    """
    job = _redacted(checkup, given, traces) if redact else _plain(checkup, given, traces)
    files = {
        "report.html": _text(check_page(job.checkup, job.checkup.drawn(job.traces, channel=channel))),
        **_reports(job, decimal_comma=decimal_comma),
    }
    manifest = _manifest(job, redact=redact, decimal_comma=decimal_comma)
    evidence = job.checkup.evidence[-1]
    record = job_record(job.checkup.result, evidence.plan, manifest, evidence.bus_evidence.readings)
    files = {"record.html": _text(record), **files}
    files |= {target: content for target, (_, content) in job.copies.items()}
    rows = tuple(
        FileRow(name, _WHAT.get(name) or f"the {_role(job, name)} as used", _hash(content), len(content))
        for name, content in files.items()
    )
    files[MANIFEST] = json_bytes(to_dict(replace(manifest, files=rows)))
    sums = "".join(f"{_hash(content)}  {name}\n" for name, content in files.items())
    files[SUMS] = sums.encode("utf-8", "backslashreplace")
    return files


def _plain(checkup: Checkup, given: Given, traces: Sequence[Trace]) -> Job:
    sources = read_sources(checkup.evidence[-1].plan, given, checkup.result.recordings, flat=False)
    copies = {each.copy: (each, each.content) for each in sources if each.copy and each.content is not None}
    return Job(checkup, traces, given.details, sources, copies)


def _redacted(checkup: Checkup, given: Given, traces: Sequence[Trace]) -> Job:
    """Take out what identifies the vehicle: first from the nouns, so that every report is made without it."""
    sources = read_sources(checkup.evidence[-1].plan, given, checkup.result.recordings, flat=True)
    secrets = identifying_texts(given.details) if given.details else []
    known = clocks([(each.start, each.duration_s) for each in checkup.result.recordings])
    redaction = Redaction(secrets, [each.file for each in sources if each.file not in {"", "-"}], known)
    details, keys = without_identity(given.details) if given.details else (None, ())
    plain = redacted_checkup(checkup, redaction)
    bare = [redacted_trace(each, redaction) for each in traces]
    copies, uncertain = redacted_copies(sources, redaction, checkup)
    details = redaction.noun(details)
    told = {row.what: row for row in redaction.left_out()}
    silent = [LeftOutRow(key, 0) for key in keys if key not in told]
    left_out = (*told.values(), *silent, *uncertain)
    return Job(plain, bare, details, sources, copies, left_out, redaction)


def _role(job: Job, name: str) -> str:
    return job.copies[name][0].role


def _reports(job: Job, *, decimal_comma: bool) -> dict[str, bytes]:
    """Return what is made from the result."""
    result, evidence = job.checkup.result, job.checkup.evidence
    plan = evidence[-1].plan
    further = job.details.not_tested if job.details else ()
    text = check_text(result, lanes=[lanes(each, parts=PARTS) for each in evidence])
    files = {
        "customer-sheet.html": _text(customer_sheet(result, plan, job.details, not_tested=further)),
        "report.txt": _text(text),
        "check.json": json_bytes(job.checkup.to_dict()),
    }
    exercises = [exercise_rows(each) for each in evidence]
    tables = csv_tables(result, exercises, decimal_comma=decimal_comma)
    return files | {f"tables/{name}.csv": content for name, content in tables.items()}


def _text(text: str) -> bytes:
    return text.encode("utf-8", "backslashreplace")


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _manifest(job: Job, *, redact: bool, decimal_comma: bool) -> Manifest:
    """Return the manifest, its list of files still empty."""
    result = job.checkup.result
    targets = {id(source): target for target, (source, _) in job.copies.items()}
    inputs = tuple(
        replace(each, file=_shown(job, each.file), copy=targets.get(id(each)), content=None) for each in job.sources
    )
    open_points = [f"{each.what} {each.proof}".strip() for each in untested(result)]
    return Manifest(
        verdict=result.verdict,
        title=result.title,
        redacted=redact,
        left_out=job.left_out,
        not_tested=(*open_points, *(job.details.not_tested if job.details else ())),
        inputs=inputs,
        databases=tuple(_database(job, each) for each in job.sources if each.role == "database"),
        files=(),
        python=platform.python_version(),
        libraries={name: metadata.version(name) for name in LIBRARIES},
        decimal_sign="comma" if decimal_comma else "point",
        sign_off=SIGN_OFF,
        job=job.details,
    )


def _shown(job: Job, text: str) -> str:
    return text if job.redaction is None else job.redaction.text(text)


def _database(job: Job, each: InputRow) -> DatabaseRow:
    head = (each.content or b"")[:HEAD].decode("utf-8", "replace")
    found = _VERSION.search(head)
    return DatabaseRow(_shown(job, each.file), _shown(job, found[1]) if found else "", each.sha256)


# Writing a hand-over: into a folder of its own, over nothing that is there unless that was asked for.


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
