"""Marks: what the person did, as a table that a person or a spreadsheet wrote."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.errors import Mistake, TableError
from canlens.plan import Mark, Marks, check_marks, read_marks
from tests.unit.sample_plan import loaded

if TYPE_CHECKING:
    from pathlib import Path


def marks_of(folder: Path, content: str | bytes) -> Marks:
    file = folder / "marks.csv"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_marks(file)


def mistakes_of(folder: Path, content: str | bytes) -> tuple[Mistake, ...]:
    with pytest.raises(TableError) as caught:
        marks_of(folder, content)
    assert caught.value.file == str(folder / "marks.csv")
    for mistake in caught.value.mistakes:
        assert f"{caught.value.file}: {mistake}" in str(caught.value).split("\n")
    return caught.value.mistakes


def test_marks_are_read_with_their_lines(tmp_path: Path) -> None:
    marks = marks_of(tmp_path, "time_s,label,until_s\n3.5,buzzer,4.25\n6,rest\n")
    assert marks == Marks(str(tmp_path / "marks.csv"), (Mark(3.5, "buzzer", 4.25, line=2), Mark(6.0, "rest", line=3)))
    assert len(marks) == 2
    assert [mark.label for mark in marks] == ["buzzer", "rest"]


@pytest.mark.parametrize(
    "content",
    [
        "3.5,buzzer,4.25\n6,rest\n",
        "3.5,buzzer,4.25\n6,rest",
        "3.5,buzzer,4.25\n6,rest,\n",
        "time_s,label,until_s\n3.5,buzzer,4.25\n6,rest,\n",
        "Time_S, Label, Until_S\n 3.5 ,\tbuzzer , 4.25\n6 , rest\n",
        "label,until_s,time_s\nbuzzer,4.25,3.5\nrest,,6\n",
        "time_s;label;until_s\n3,5;buzzer;4,25\n6;rest;\n",
        "3,5;buzzer;4,25\n6;rest\n",
        "3.5;buzzer;4.25\n6;rest\n",
        "\ufefftime_s,label,until_s\r\n3.5,buzzer,4.25\r\n6,rest\r\n",
        "# what we did\n\n3.5,buzzer,4.25 # long\n\n,,\n   \n6,rest\n#end",
        '"time_s","label","until_s"\n"3.5","buzzer","4.25"\n"6","rest",""\n',
        "+35e-1,buzzer,.425E+1\n6.,REST\n",
        "3.5,buzzer,4.25\r6,rest\r",
        "6,rest\n3.5,buzzer,4.25\n",
    ],
)
def test_the_ways_of_writing_one_table_read_alike(tmp_path: Path, content: str) -> None:
    marks = marks_of(tmp_path, content)
    assert [(mark.time_s, mark.label, mark.until_s) for mark in marks] == [(3.5, "buzzer", 4.25), (6.0, "rest", None)]


def test_a_table_in_utf_16_is_read_as_spreadsheets_write_it(tmp_path: Path) -> None:
    marks = marks_of(tmp_path, "time_s;label\r\n3,5;buzzer\r\n".encode("utf-16"))
    assert [(mark.time_s, mark.label, mark.line) for mark in marks] == [(3.5, "buzzer", 2)]


def test_a_comment_in_another_encoding_does_no_harm(tmp_path: Path) -> None:
    assert marks_of(tmp_path, b"# geh\xf6rt\n3.5,buzzer\n").marks == (Mark(3.5, "buzzer", line=2),)


def test_times_of_the_wall_clock_keep_their_microseconds(tmp_path: Path) -> None:
    assert marks_of(tmp_path, "1700000000.123456,buzzer\n").marks[0].time_s == 1700000000.123456


def test_a_mark_may_end_when_it_begins(tmp_path: Path) -> None:
    assert marks_of(tmp_path, "3,buzzer,3\n").marks == (Mark(3.0, "buzzer", 3.0, line=1),)


NUMBER = "a number in column time_s"
NAME = "a name of letters, digits, _ and - in column label"


@pytest.mark.parametrize(
    ("row", "expected", "found"),
    [
        ("x,buzzer", NUMBER, "'x'"),
        (",buzzer", NUMBER, "nothing"),
        ("nan,buzzer", NUMBER, "'nan'"),
        ("inf,buzzer", NUMBER, "'inf'"),
        ("1e999,buzzer", NUMBER, "'1e999'"),
        ("1_0,buzzer", NUMBER, "'1_0'"),
        ("٣,buzzer", NUMBER, "'٣'"),
        ("0x10,buzzer", NUMBER, "'0x10'"),
        ("12:30:61,buzzer", NUMBER, "'12:30:61'"),
        ("4", NAME, "nothing"),
        ("4,tail gate", NAME, "'tail gate'"),
        ("4,Tür", NAME, "'Tür'"),
        ("4,buzzer,soon", "a number in column until_s", "'soon'"),
        ("4,buzzer,3.5", "until_s at or after time_s (4)", "3.5"),
        ("4,buzzer,5,6", "at most 3 cells (time_s,label,until_s)", "4, the last of them '6'"),
    ],
)
def test_a_bad_row_is_named_with_its_line(tmp_path: Path, row: str, expected: str, found: str) -> None:
    assert mistakes_of(tmp_path, f"time_s,label,until_s\n\n1,key\n{row}\n5,key\n") == (
        Mistake("line 4", expected, found),
    )
    assert mistakes_of(tmp_path, f"# no header\n{row}\n5,key\n") == (Mistake("line 2", expected, found),)


def test_all_bad_rows_are_listed_and_every_bad_cell_of_a_row(tmp_path: Path) -> None:
    mistakes = mistakes_of(tmp_path, "1,key\nx,y z,q\n2,key\n3,key,1\n")
    assert [(mistake.key, mistake.found) for mistake in mistakes] == [
        ("line 2", "'x'"),
        ("line 2", "'y z'"),
        ("line 2", "'q'"),
        ("line 4", "1"),
    ]


def test_a_misspelt_column_comes_with_close_names(tmp_path: Path) -> None:
    expected = "one of the columns time_s, label, until_s"
    mistakes = mistakes_of(tmp_path, "time_s,label,untl_s\n1,key\n")
    assert mistakes == (Mistake("line 1", expected, "'untl_s'", ("until_s",)),)
    mistakes = mistakes_of(tmp_path, "tme_s,label\n1,key\n")
    assert mistakes == (
        Mistake("line 1", expected, "'tme_s'", ("time_s",)),
        Mistake("line 1", "the columns time_s,label[,until_s]", "a header without time_s"),
    )


def test_a_column_may_not_stand_twice(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path, "time_s,label,time_s\n1,key\n") == (
        Mistake("line 1", "each column once", "'time_s' twice"),
    )


@pytest.mark.parametrize("content", ["", "\n\n", "# nothing yet\n", "time_s,label\n", "\ufeff"])
def test_a_table_without_a_row_is_a_mistake(tmp_path: Path, content: str) -> None:
    assert mistakes_of(tmp_path, content) == (Mistake("the file", "rows time_s,label[,until_s]", "no row"),)


def test_a_cell_longer_than_the_csv_reader_takes_is_a_mistake(tmp_path: Path) -> None:
    (mistake,) = mistakes_of(tmp_path, "1,key\n2," + "k" * 200_000 + "\n")
    assert (mistake.key, mistake.expected) == ("line 2", "cells separated by ','")


def test_a_missing_file_is_named_with_close_names(tmp_path: Path) -> None:
    (tmp_path / "marks.csv").touch()
    with pytest.raises(TableError) as caught:
        read_marks(tmp_path / "mark.csv")
    expected = "a table of marks that can be read"
    assert caught.value.mistakes == (Mistake("the file", expected, "no such file", ("marks.csv",)),)


def test_labels_are_controls_of_the_plan_or_rest(tmp_path: Path) -> None:
    plan = loaded(tmp_path)
    check_marks(plan, marks_of(tmp_path, "1,buzzer\n2,rest\n3,tailgate\n"))
    check_marks(plan, Marks())
    with pytest.raises(TableError) as caught:
        check_marks(plan, marks_of(tmp_path, "7,buzzr\n2,rest\n3,bell\n4,Key\n"))
    expected = "a control of the plan or 'rest'"
    assert caught.value.mistakes == (
        Mistake("line 1", expected, "'buzzr'", ("buzzer",)),
        Mistake("line 3", expected, "'bell'", ()),
        Mistake("line 4", expected, "'Key'", ("key",)),
    )
    assert caught.value.file == str(tmp_path / "marks.csv")


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        ('title = "van"\n\n[bus]\ndatabase = "van.dbc"\n', "a TOML file"),
        ("(1700000000.000000) vcan3 120#0102\n", "a recording"),
        ("\x1f\x08\0\0\n", "a file that is no text"),
    ],
)
def test_a_file_of_another_kind_is_one_mistake(tmp_path: Path, content: str, kind: str) -> None:
    assert mistakes_of(tmp_path, content) == (Mistake("the file", "a table of marks (time_s,label[,until_s])", kind),)


@pytest.mark.parametrize(
    ("written", "time_s"), [("10:26:50", 37610.0), ("0:00", 0.0), ("23:59:59.5", 86399.5), ("07:05", 25500.0)]
)
def test_a_time_may_be_that_of_a_clock(tmp_path: Path, written: str, time_s: float) -> None:
    assert marks_of(tmp_path, f"{written},buzzer\n").marks == (Mark(time_s, "buzzer", line=1),)


@pytest.mark.parametrize("written", ["24:00:00", "10:60", "10:26:60", "10:26:", "1:2:3"])
def test_what_no_clock_shows_is_no_time(tmp_path: Path, written: str) -> None:
    assert mistakes_of(tmp_path, f"{written},buzzer\n")[0].expected == "a number in column time_s"
