"""Redacting a whole job: result, evidence and copies, with times that count from the first frame."""

from __future__ import annotations

import re
import tomllib
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING

from canlens.checkup import Checkup
from canlens.handover.given import INPUTS
from canlens.handover_results import LeftOutRow
from canlens.plan import load_observed

if TYPE_CHECKING:
    from canlens.evidence import Evidence
    from canlens.handover.given import Source
    from canlens.handover.redaction import Redaction
    from canlens.trace import Trace


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
    sources: list[Source], redaction: Redaction, checkup: Checkup
) -> tuple[dict[str, tuple[Source, bytes]], list[LeftOutRow]]:
    """Return the copies without what identifies the vehicle, and what could not be copied.

    Plan, readings and databases keep their text, comments included; marks and observations are written anew, their
    times in seconds from the first frame. Job details are not copied: the manifest holds what is left of them.

    Parameters
    ----------
    sources
        The files as read.
    redaction
        Takes out what identifies the vehicle.
    checkup
        The job as judged, not yet redacted.

    Returns
    -------
    copies, left_out
        Source and content by the path in the hand-over; a text that could not be redacted for certain is left out.
    """
    copies: dict[str, tuple[Source, bytes]] = {}
    left_out: list[LeftOutRow] = []
    databases = [each for each in sources if each.role == "database"]
    for each in sources:
        if each.content is None or each.role == "job":
            continue
        text = _redacted_text(each, databases, redaction, checkup)
        target = f"{INPUTS}/{redaction.text(PurePath(each.target).name)}"
        if text is None or target in copies:
            left_out.append(LeftOutRow(f"the copy of the {each.role}: it could not be redacted for certain", 0))
            continue
        copies[target] = (each, text.encode("utf-8", "backslashreplace"))
    return copies, left_out


def _redacted_text(each: Source, databases: list[Source], redaction: Redaction, checkup: Checkup) -> str | None:
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


def _with_near_databases(text: str, databases: list[Source]) -> str:
    """Return the text of a plan that looks for its databases in its own folder, where their copies are."""
    names = {PurePath(each.file).name: PurePath(each.target).name for each in databases}
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
    rows = load_observed(file).observations
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
