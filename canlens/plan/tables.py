"""Tables that a person wrote, as CSV: what was done, and what eye, ear or meter saw."""

from __future__ import annotations

import csv
import math
import os
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from canlens.errors import Mistake, TableError
from canlens.plan.nouns import REST, Mark, Marks, Observation, Observed
from canlens.plan.written import File, close_names, decoded, other_kind, read_bytes, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from canlens.plan.nouns import Plan


# Tables that a person wrote, as CSV: rows by column, with or without a header, with their line numbers.


_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d(?:\.\d+)?))?", re.ASCII)
_LINE_END = re.compile(r"\r\n|\r|\n")
_TOML_TABLE = re.compile(r"^\[[\w.-]+\]\s*(#.*)?$", re.MULTILINE)
_NAME = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class CsvColumns:
    """The columns of one kind of table.

    Attributes
    ----------
    kind
        What the file is, for the sentences: ``a table of marks``.
    required, optional
        Names, in the order that holds where there is no header.
    """

    kind: str
    required: tuple[str, ...]
    optional: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """All names in order."""
        return self.required + self.optional

    def __str__(self) -> str:
        return ",".join(self.required) + "".join(f"[,{name}]" for name in self.optional)


@dataclass
class CsvTable:
    """A table while it is being read: its rows, and the mistakes found so far.

    Attributes
    ----------
    file
        As the user named it.
    columns
        What the columns are.
    decimal_comma
        Whether numbers may have a comma; so where ``;`` separates the columns.
    mistakes
        In file order.
    """

    file: str
    columns: CsvColumns
    decimal_comma: bool = False
    mistakes: list[Mistake] = field(default_factory=list)

    def note(self, line: int, expected: str, found: str, *, close: Sequence[str] = ()) -> None:
        """Note a mistake."""
        self.mistakes.append(Mistake(f"line {line}", expected, found, tuple(close)))

    def raise_any(self) -> None:
        """Raise all mistakes, if there are any."""
        if self.mistakes:
            raise TableError(self.file, tuple(self.mistakes))

    def number(self, row: CsvRow, column: str) -> float | None:
        """Return a number; None where there is none (noted if the column is required) or it is no number."""
        text = row.cells.get(column, "")
        if not text and column in self.columns.optional:
            return None
        plain = text.replace(",", ".") if self.decimal_comma and "." not in text else text
        value = float(plain) if _NUMBER.fullmatch(plain) else math.nan
        if not math.isfinite(value):
            self.note(row.line, f"a number in column {column}", shown(text) if text else "nothing")
            return None
        return value

    def moment(self, row: CsvRow, column: str) -> float | None:
        """Return a time [s], or that of a clock (``10:26:50``) in seconds of its day; None as in :meth:`number`."""
        text = row.cells.get(column, "")
        clock = _CLOCK.fullmatch(text.replace(",", ".") if self.decimal_comma else text)
        if clock is None:
            return self.number(row, column)
        hours, minutes, seconds = clock.groups(default="0")
        return 3600.0 * int(hours) + 60.0 * int(minutes) + float(seconds)

    def name(self, row: CsvRow, column: str) -> str | None:
        """Return a name as controls and outputs bear it; None if it is none (then it is noted)."""
        text = row.cells.get(column, "")
        if _NAME.fullmatch(text):
            return text
        expected = f"a name of letters, digits, _ and - in column {column}"
        self.note(row.line, expected, shown(text) if text else "nothing")
        return None


@dataclass(frozen=True)
class CsvRow:
    """One row: its line number, 1-based, and its cells by column, blanks trimmed."""

    line: int
    cells: Mapping[str, str]


def read_rows(file: File, columns: CsvColumns) -> tuple[CsvTable, list[CsvRow]]:
    """Read a table of comma- or semicolon-separated values.

    Blank lines count for nothing, nor does what follows a ``#``. A first row with the names of columns is a
    header; it then says their order. Where ``;`` separates, numbers may have a decimal comma.

    Returns
    -------
    table, rows
        The table with the mistakes found so far, to go on with; the rows that could be read.

    Raises
    ------
    TableError
        The file cannot be read or is of another kind, or its header lacks a required column.
    """
    text = decoded(read_bytes(file, TableError, kind=columns.kind))
    other = other_kind(text) or ("a TOML file" if _TOML_TABLE.search(text) else None)
    if other is not None:
        raise TableError(os.fspath(file), (Mistake("the file", f"{columns.kind} ({columns})", other),))
    lines = [(number, line.partition("#")[0].strip()) for number, line in enumerate(_LINE_END.split(text), start=1)]
    lines = [(number, line) for number, line in lines if line]
    separator = ";" if lines and ";" in lines[0][1] else ","
    table = CsvTable(os.fspath(file), columns, decimal_comma=separator == ";")
    split = [(number, _cells(table, number, line, separator)) for number, line in lines]
    filled = [(number, cells) for number, cells in split if any(cells)]
    order: Sequence[str] = columns.names
    if filled and _is_header(filled[0][1], columns):
        order = _header(table, *filled.pop(0))
    if not filled and not table.mistakes:
        table.mistakes.append(Mistake("the file", f"rows {columns}", "no row"))
    return table, [_row(table, number, cells, order) for number, cells in filled]


def _cells(table: CsvTable, number: int, line: str, separator: str) -> list[str]:
    """Split a line into cells, without the empty ones at its end."""
    try:
        cells = [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]
    except csv.Error as trouble:
        table.note(number, f"cells separated by '{separator}'", f"a line that is none ({trouble})")
        return []
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _is_header(cells: Sequence[str], columns: CsvColumns) -> bool:
    """Return whether no cell of a first row is a number, and it names the first column, or half of it are columns."""
    names = [cell.lower() for cell in cells]
    known = sum(name in columns.names for name in names)
    is_likely = columns.required[0] in names or 2 * known >= len(names)
    return is_likely and not any(_NUMBER.fullmatch(cell) or _CLOCK.fullmatch(cell) for cell in cells)


def _header(table: CsvTable, number: int, cells: Sequence[str]) -> list[str]:
    """Return the order of the columns that a header says."""
    order = [cell.lower() for cell in cells]
    columns = table.columns
    for position, name in enumerate(order):
        if name not in columns.names:
            close = close_names(name, columns.names)
            table.note(number, f"one of the columns {', '.join(columns.names)}", shown(cells[position]), close=close)
        elif name in order[:position]:
            table.note(number, "each column once", f"'{name}' twice")
    missing = [name for name in columns.required if name not in order]
    if missing:
        table.note(number, f"the columns {columns}", f"a header without {', '.join(missing)}")
        table.raise_any()
    return order


def _row(table: CsvTable, number: int, cells: Sequence[str], order: Sequence[str]) -> CsvRow:
    """Return a row; cells without a column are noted."""
    if len(cells) > len(order):
        expected = f"at most {len(order)} cells ({','.join(order)})"
        table.note(number, expected, f"{len(cells)}, the last of them {shown(cells[-1])}")
    return CsvRow(number, dict(zip(order, cells, strict=False)))


# What the person did, and what eye, ear or meter saw: two small tables in CSV.


MARKS = CsvColumns("a table of marks", ("time_s", "label"), ("until_s",))
OBSERVED = CsvColumns("a table of observations", ("time_s", "output", "on"), ("amps", "volts"))

_STATES = {
    "1": True, "on": True, "yes": True, "true": True,
    "0": False, "off": False, "no": False, "false": False,
}  # fmt: skip


def read_marks(file: File) -> Marks:
    """Read marks: when the person did what.

    Parameters
    ----------
    file
        CSV ``time_s,label[,until_s]``, in the log's own clock [s], or as a clock shows it: ``10:26:50``. A label is
        the name of a control, or ``rest`` for a slot in which nothing was touched. A header is welcome but not needed;
        ``;`` may separate, and numbers then have a comma if you like; ``#`` begins a comment.

    Returns
    -------
    Marks
        Sorted by time.

    Raises
    ------
    TableError
        The file has mistakes; all of them are listed with their lines.
    """
    table, rows = read_rows(file, MARKS)
    marks = [mark for row in rows if (mark := _mark(table, row))]
    table.raise_any()
    return Marks(table.file, tuple(sorted(marks, key=lambda mark: mark.time_s)))


def read_observed(file: File) -> Observed:
    """Read observations: what eye, ear or meter saw of the outputs.

    Parameters
    ----------
    file
        CSV ``time_s,output,on[,amps,volts]``; ``on`` is 1 or 0, on or off, yes or no, true or false. Otherwise as
        :func:`read_marks`.

    Returns
    -------
    Observed
        Sorted by time.

    Raises
    ------
    TableError
        The file has mistakes; all of them are listed with their lines.
    """
    table, rows = read_rows(file, OBSERVED)
    observations = [observation for row in rows if (observation := _observation(table, row))]
    table.raise_any()
    return Observed(table.file, tuple(sorted(observations, key=lambda observation: observation.time_s)))


def check_marks(plan: Plan, marks: Marks) -> None:
    """Check that every label is one of the plan's controls, or ``rest``.

    Raises
    ------
    TableError
        Some are not; all of them are listed with their lines and with close names.
    """
    known = (*plan.controls, REST)
    wrong = [(mark.line, mark.label) for mark in marks if mark.label not in known]
    _raise_unknown(marks.file or "marks", f"a control of the plan or '{REST}'", wrong, known)


def check_observed(plan: Plan, observed: Observed) -> None:
    """Check that every output is one of the plan's.

    Raises
    ------
    TableError
        Some are not; all of them are listed with their lines and with close names.
    """
    wrong = [(seen.line, seen.output) for seen in observed if seen.output not in plan.outputs]
    _raise_unknown(observed.file or "observed", "an output of the plan", wrong, tuple(plan.outputs))


def _raise_unknown(file: str, expected: str, wrong: Iterable[tuple[int, str]], known: tuple[str, ...]) -> None:
    """Raise the names that are not known, if there are any, in the order of their lines."""
    mistakes = tuple(
        Mistake(f"line {line}", expected, shown(name), close_names(name, known)) for line, name in sorted(wrong)
    )
    if mistakes:
        raise TableError(file, mistakes)


def _mark(table: CsvTable, row: CsvRow) -> Mark | None:
    """Return the mark of a row; None if it has a mistake (then it is noted)."""
    time_s, label, until_s = (
        table.moment(row, "time_s"), table.name(row, "label"), table.moment(row, "until_s")
    )  # fmt: skip
    if time_s is None or label is None:
        return None
    if until_s is not None and until_s < time_s:
        table.note(row.line, f"until_s at or after time_s ({time_s:.12g})", f"{until_s:.12g}")
        return None
    return Mark(time_s, REST if label.lower() == REST else label, until_s, row.line)


def _observation(table: CsvTable, row: CsvRow) -> Observation | None:
    """Return the observation of a row; None if it has a mistake (then it is noted)."""
    time_s, output = table.moment(row, "time_s"), table.name(row, "output")
    text = row.cells.get("on", "")
    on = _STATES.get(text.lower())
    if on is None:
        expected = "1 or 0, on or off, yes or no, true or false in column on"
        table.note(row.line, expected, shown(text) if text else "nothing")
    amps, volts = table.number(row, "amps"), table.number(row, "volts")
    if time_s is None or output is None or on is None:
        return None
    return Observation(time_s, output, on, amps=amps, volts=volts, line=row.line)
