from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from canlens.nouns.pictures import ExerciseRow
from canlens.reports.data_files import HEADINGS, as_text, csv_tables
from tests.unit import sample_results as sample

HOSTILE = (
    "=cmd|'/c calc'!A1",
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    " =1",
    "＝1",
    "<script>alert(1)</script>",
    'a "quote", and; more',
    "\x1b[31mred",
    "horn\u202enroh",
    "two\nlines",
)
EXERCISES = [[ExerciseRow("siren", 1.5, 12, "answered", 0.0234), ExerciseRow("siren", -0.5, 13, "unanswered")]]


def _rows(content: bytes, separator: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=separator))


@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_foreign_name_stays_one_cell_of_text(name: str, separator: str) -> None:
    result = replace(
        sample.FAILED,
        outputs={name: sample.failed(name)},
        controls={name: replace(sample.FAILED.controls["horn"], signal=name)},
        findings=(replace(sample.FINDING, subject=(name,), claim=name),),
        causes=(replace(sample.CAUSE, subject=(name,), because=(name,)),),
    )
    tables = csv_tables(result, [[ExerciseRow(name, 1.0, 2, "unasked")]], decimal_comma=separator == ";")
    assert set(tables) == set(HEADINGS)
    for table in tables.values():
        (row,) = _rows(table, separator)
        assert name not in row.values() or name.isprintable()
        for cell in row.values():
            assert cell[:1] not in set("=+-@＝\t\r\n")
            assert cell.isprintable()
    shown = as_text(name).removeprefix("'").replace('""', '"')
    assert _rows(tables["outputs"], separator)[0]["output"].removeprefix("'") == shown


def test_numbers_stay_numbers_even_below_nought() -> None:
    first, second = csv_tables(sample.FAILED, EXERCISES)["exercises"].decode("utf-8-sig").splitlines()[1:]
    assert first == '1,"siren",1.5,12,"answered",0.0234'
    assert second == '1,"siren",-0.5,13,"unanswered",'


def test_with_decimal_commas_columns_are_parted_by_semicolons() -> None:
    content = csv_tables(sample.FAILED, EXERCISES, decimal_comma=True)["exercises"].decode("utf-8-sig")
    assert content.splitlines()[1] == '1;"siren";1,5;12;"answered";0,0234'


def test_lines_end_as_rfc_4180_says_and_the_text_says_that_it_is_utf_8() -> None:
    content = csv_tables(sample.FAILED)["outputs"]
    assert content.startswith(b"\xef\xbb\xbf")
    assert content.count(b"\r\n") == content.count(b"\n") == 1 + len(sample.FAILED.outputs)


def test_what_is_not_known_is_an_empty_cell() -> None:
    rows = {row["output"]: row for row in _rows(csv_tables(sample.FAILED)["outputs"])}
    assert rows["siren"]["latency_max_s"] == ""
    assert rows["lamp"]["latency_max_s"] == "0.0312"
