"""Data files: a result as JSON, and as tables for a spreadsheet."""

from __future__ import annotations

import json
import math
import re
from typing import TYPE_CHECKING

from canlens.reports.layout import visible

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canlens.nouns.pictures import ExerciseRow
    from canlens.results.check import CheckResult
    from canlens.results.form import Json


# JSON: a result's written form as the bytes of a file.


def json_bytes(document: dict[str, Json]) -> bytes:
    r"""Write a result as JSON.

    Parameters
    ----------
    document
        What ``to_dict`` of the result returns; its keys keep their order.

    Returns
    -------
    bytes
        UTF-8 (RFC 8259) with a newline at the end. Bytes of a file name that are no text become escapes.

    Raises
    ------
    ValueError
        If a number is not finite, which the written form never holds.

    Examples
    --------
    >>> json_bytes({"load": "60 Ω", "file": "a\udcff"}).decode()
    '{\n  "load": "60 Ω",\n  "file": "a\\udcff"\n}\n'
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2)
    return f"{text}\n".encode("utf-8", "backslashreplace")


# CSV: a result as tables for a spreadsheet, in which numbers stay numbers and foreign names stay text.
#
# A text that a spreadsheet would take for a formula – it begins with ``= + - @``, their full-width forms, or with a
# blank
# before one of them – gets an apostrophe before it, which spreadsheets take as "this is text" (OWASP, "CSV Injection").
# Texts stand in quotes, numbers do not; control characters are made visible. UTF-8 with its mark, lines end with CR LF
# (RFC 4180).


_FORMULA = re.compile(r"\s*[=+\-@＝＋－＠]")
Cell = str | int | float | bool | None


def csv_tables(
    result: CheckResult, exercises: Sequence[Sequence[ExerciseRow]] = (), *, decimal_comma: bool = False
) -> dict[str, bytes]:
    """Write a result as tables.

    Parameters
    ----------
    result
        What the check found.
    exercises
        Of each recording, every exercise.
    decimal_comma
        Whether numbers have a comma, and columns a semicolon between them.

    Returns
    -------
    dict
        Content by name: ``outputs``, ``controls``, ``findings``, ``causes``, ``exercises``.
    """
    rows = {
        "outputs": _outputs(result),
        "controls": _controls(result),
        "findings": _findings(result),
        "causes": _causes(result),
        "exercises": _exercises(exercises),
    }
    return {name: _written(HEADINGS[name], each, decimal_comma=decimal_comma) for name, each in rows.items()}


HEADINGS: Mapping[str, tuple[str, ...]] = {
    "outputs": (
        "output", "load", "on_when", "verdict", "reason", "observed", "due", "answered", "late", "unasked",
        "too_short", "latency_median_s", "latency_max_s", "first_broken_link", "links", "judged_from", "next_exercise",
    ),
    "controls": ("control", "signal", "exercises", "marked", "first_s", "last_s"),
    "findings": (
        "check", "severity", "safety_item", "subject", "claim", "recording", "lines", "times_s", "cannot_tell",
        "next_step", "would_change", "caution", "consequence_of",
    ),
    "causes": ("cause", "scope", "subject", "probability", "because", "against", "next_test", "caution"),
    "exercises": ("recording", "output", "time_s", "line", "outcome", "latency_s"),
}  # fmt: skip
"""Columns of each table."""


def _outputs(result: CheckResult) -> list[tuple[Cell, ...]]:
    return [
        (
            name, one.load, one.planned, one.verdict, one.reason, one.observed, one.due, one.answered, one.late,
            one.unasked, one.too_short, one.latency_s.median, one.latency_s.max, one.first_broken_link,
            _joined(f"{link} {state}" for link, state in one.links.items()), one.judged_from, one.next_exercise,
        )
        for name, one in result.outputs.items()
    ]  # fmt: skip


def _controls(result: CheckResult) -> list[tuple[Cell, ...]]:
    return [
        (name, one.signal, one.exercises, one.marked, one.first_s, one.last_s) for name, one in result.controls.items()
    ]


def _findings(result: CheckResult) -> list[tuple[Cell, ...]]:
    return [
        (
            one.check, one.severity, "yes" if one.safety else "no", _joined(one.subject), one.claim,
            one.evidence.recording + 1, _joined(map(str, one.evidence.lines)),
            _joined(f"{time_s:.6f}" for time_s in one.evidence.times_s), one.cannot_tell, one.next_step,
            one.would_change, one.caution, one.consequence_of,
        )
        for one in result.findings
    ]  # fmt: skip


def _causes(result: CheckResult) -> list[tuple[Cell, ...]]:
    return [
        (
            one.cause, one.scope, _joined(one.subject), one.probability, _joined(one.because), _joined(one.against),
            one.next_test, one.caution,
        )
        for one in result.causes
    ]  # fmt: skip


def _exercises(exercises: Sequence[Sequence[ExerciseRow]]) -> list[tuple[Cell, ...]]:
    return [
        (number, one.output, one.time_s, one.line, one.outcome, one.latency_s)
        for number, rows in enumerate(exercises, 1)
        for one in rows
    ]


def _joined(texts: Iterable[str]) -> str:
    return "; ".join(texts)


def _written(headings: Sequence[str], rows: Iterable[Sequence[Cell]], *, decimal_comma: bool) -> bytes:
    separator = ";" if decimal_comma else ","
    lines = [separator.join(_cell(cell, decimal_comma=decimal_comma) for cell in row) for row in (headings, *rows)]
    return "".join(f"{line}\r\n" for line in lines).encode("utf-8-sig", "backslashreplace")


def _cell(value: Cell, *, decimal_comma: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return f'"{as_text(value)}"'
    if isinstance(value, float):
        if not math.isfinite(value):
            return ""
        number = f"{value:.9g}"
        return number.replace(".", ",") if decimal_comma else number
    return str(value)


def as_text(value: str) -> str:
    r"""Return a text as the inside of a cell that a spreadsheet takes for text.

    Examples
    --------
    >>> as_text('=cmd|"/c calc"!A1'), as_text("-5 dB"), as_text("horn"), as_text("\t@x\x1b[2J")
    ('\'=cmd|""/c calc""!A1', "'-5 dB", 'horn', "'\\t@x\\x1b[2J")
    """
    mark = "'" if _FORMULA.match(value) or value[:1] in {"\t", "\r", "\n"} else ""
    return mark + visible(value).replace('"', '""')
