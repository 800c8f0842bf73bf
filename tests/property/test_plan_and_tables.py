"""Whatever a file holds: reading it ends in a value or in a sentence, never in a traceback."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canlens.errors import CanlensError, PlanError, TableError
from canlens.plan import Marks, Observed, Plan, Readings, read_marks, read_observed, read_plan, read_readings
from tests.unit.sample_plan import COLD_STORE_VAN, DATABASE, written

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Value = TypeVar("Value")

LINES = COLD_STORE_VAN.splitlines()
KEYS = sorted({line.partition(" ")[0] for line in LINES if "=" in line})
VALUES = (
    "0",
    "-1",
    "1e308",
    "-1e308",
    "inf",
    "nan",
    "true",
    '""',
    '"x"',
    '"."',
    '"Dash.Key"',
    '"Dash."',
    "[]",
    "[0]",
    "[[]]",
    "{}",
    "{a = 1}",
    "[true]",
    '["Drive", 1]',
    "9223372036854775808",
    "1" + "0" * 400,
    "2026-01-05",
    '"key"',
    '"(" ',
    "5e-324",
)
TOML = st.one_of(
    st.text(),
    st.lists(
        st.one_of(st.sampled_from(LINES), st.tuples(st.sampled_from(KEYS), st.sampled_from(VALUES)).map(" = ".join))
    ).map("\n".join),
)
CELLS = st.one_of(
    st.sampled_from(["time_s", "label", "output", "on", "1", "2.5", "1,5", "rest", "#", '"', "", "nan"]), st.text()
)
TABLE = st.one_of(
    st.text(),
    st.lists(st.lists(CELLS).map(",".join)).map("\n".join),
    st.lists(st.lists(CELLS).map(";".join)).map("\n".join),
)


@pytest.fixture(name="folder", scope="module")
def folder_fixture() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        written(Path(name))
        yield Path(name)


def outcome(read: Callable[[Path], Value], folder: Path, content: bytes) -> Value | CanlensError:
    file = folder / "any"
    file.write_bytes(content)
    try:
        return read(file)
    except CanlensError as error:
        return error


def plan_from(file: Path) -> Plan:
    return read_plan(file, read_database=lambda _: DATABASE)


def is_listed(error: object, kind: type[PlanError | TableError], folder: Path) -> bool:
    """Return whether the error lists mistakes, each on a line of its own that begins with the file."""
    if not isinstance(error, kind):
        return False
    places = {mistake.key for mistake in error.mistakes}
    return (
        bool(places)
        and str(error).startswith(f"{folder / 'any'}: ")
        and all(m.expected and m.found for m in error.mistakes)
    )


@given(content=st.one_of(st.binary(), TOML.map(lambda text: text.encode("utf-8", "replace"))))
def test_any_content_is_a_plan_or_a_list_of_mistakes(folder: Path, content: bytes) -> None:
    result = outcome(plan_from, folder, content)
    assert isinstance(result, Plan) or is_listed(result, PlanError, folder)


@given(line=st.integers(0, len(LINES) - 1), key=st.sampled_from(KEYS), value=st.sampled_from(VALUES))
def test_one_changed_line_of_a_good_plan_is_a_plan_or_a_list_of_mistakes(
    folder: Path, line: int, key: str, value: str
) -> None:
    changed = "\n".join([*LINES[:line], f"{key} = {value}", *LINES[line + 1 :]])
    result = outcome(plan_from, folder, changed.encode())
    assert isinstance(result, Plan) or is_listed(result, PlanError, folder)


@given(content=st.one_of(st.binary(), TABLE.map(lambda text: text.encode("utf-8", "replace"))))
def test_any_content_is_a_table_of_marks_or_a_list_of_mistakes(folder: Path, content: bytes) -> None:
    result = outcome(read_marks, folder, content)
    assert (isinstance(result, Marks) and len(result) > 0) or is_listed(result, TableError, folder)


@given(content=st.one_of(st.binary(), TABLE.map(lambda text: text.encode("utf-8", "replace"))))
def test_any_content_is_a_table_of_observations_or_a_list_of_mistakes(folder: Path, content: bytes) -> None:
    result = outcome(read_observed, folder, content)
    assert (isinstance(result, Observed) and len(result) > 0) or is_listed(result, TableError, folder)


@given(
    content=st.one_of(
        st.binary(),
        st.lists(
            st.tuples(
                st.sampled_from(["h_l_ohm", "h_v", "sleep_ma", "h_v.value", "h_v.limit", "x"]), st.sampled_from(VALUES)
            ).map(" = ".join)
        ).map(lambda lines: "\n".join(lines).encode()),
    )
)
def test_any_content_is_readings_or_a_list_of_mistakes(folder: Path, content: bytes) -> None:
    result = outcome(read_readings, folder, content)
    assert (isinstance(result, Readings) and len(result.values) > 0) or is_listed(result, TableError, folder)


@given(
    st.lists(
        st.tuples(
            st.floats(-1e9, 1e9), st.from_regex(r"[A-Za-z0-9_-]{1,9}", fullmatch=True), st.none() | st.floats(0, 1e6)
        ),
        min_size=1,
    ),
    st.sampled_from([",", ";"]),
)
def test_marks_that_were_written_are_read_back(
    folder: Path, rows: list[tuple[float, str, float | None]], separator: str
) -> None:
    spans = [(time_s, label, None if more is None else time_s + more) for time_s, label, more in rows]
    cells = [(repr(time_s), label, "" if until_s is None else repr(until_s)) for time_s, label, until_s in spans]
    text = "\n".join(separator.join(row) for row in [("time_s", "label", "until_s"), *cells])
    content = (text.replace(".", ",") if separator == ";" else text).encode()
    result = outcome(read_marks, folder, content)
    assert isinstance(result, Marks)
    read = sorted((mark.line, mark.time_s, mark.label.lower(), mark.until_s) for mark in result)
    expected = [(line, time_s, label.lower(), until_s) for line, (time_s, label, until_s) in enumerate(spans, start=2)]
    assert read == expected
