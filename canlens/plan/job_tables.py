"""What the person did, and what eye, ear or meter saw: two small tables in CSV."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.errors import Mistake, TableError
from canlens.plan.csv_table import Columns, read_rows
from canlens.plan.mistakes import close_names, shown
from canlens.plan.nouns import REST, Mark, Marks, Observation, Observed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.plan.csv_table import Row, Table
    from canlens.plan.nouns import Plan
    from canlens.plan.written import File

MARKS = Columns("a table of marks", ("time_s", "label"), ("until_s",))
OBSERVED = Columns("a table of observations", ("time_s", "output", "on"), ("amps", "volts"))

_STATES = {
    "1": True, "on": True, "yes": True, "true": True,
    "0": False, "off": False, "no": False, "false": False,
}  # fmt: skip


def load_marks(file: File) -> Marks:
    """Read marks: when the person did what.

    Parameters
    ----------
    file
        CSV ``time_s,label[,until_s]``, in the log's own clock [s]. A label is the name of a control, or ``rest``
        for a slot in which nothing was touched. A header is welcome but not needed; ``;`` may separate, and numbers
        then have a comma if you like; ``#`` begins a comment.

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


def load_observed(file: File) -> Observed:
    """Read observations: what eye, ear or meter saw of the outputs.

    Parameters
    ----------
    file
        CSV ``time_s,output,on[,amps,volts]``; ``on`` is 1 or 0, on or off, yes or no, true or false. Otherwise as
        :func:`load_marks`.

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


def _mark(table: Table, row: Row) -> Mark | None:
    """Return the mark of a row; None if it has a mistake (then it is noted)."""
    time_s, label, until_s = (
        table.number(row, "time_s"), table.name(row, "label"), table.number(row, "until_s")
    )  # fmt: skip
    if time_s is None or label is None:
        return None
    if until_s is not None and until_s < time_s:
        table.note(row.line, f"until_s at or after time_s ({time_s:.12g})", f"{until_s:.12g}")
        return None
    return Mark(time_s, REST if label.lower() == REST else label, until_s, row.line)


def _observation(table: Table, row: Row) -> Observation | None:
    """Return the observation of a row; None if it has a mistake (then it is noted)."""
    time_s, output = table.number(row, "time_s"), table.name(row, "output")
    text = row.cells.get("on", "")
    on = _STATES.get(text.lower())
    if on is None:
        expected = "1 or 0, on or off, yes or no, true or false in column on"
        table.note(row.line, expected, shown(text) if text else "nothing")
    amps, volts = table.number(row, "amps"), table.number(row, "volts")
    if time_s is None or output is None or on is None:
        return None
    return Observation(time_s, output, on, amps=amps, volts=volts, line=row.line)
