"""Observations: what eye, ear or meter saw of the outputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.errors import Mistake, TableError
from canlens.plan import Observation, Observed, check_observed, read_observed
from tests.unit.sample_plan import loaded

if TYPE_CHECKING:
    from pathlib import Path


def observed_of(folder: Path, content: str) -> Observed:
    file = folder / "seen.csv"
    file.write_text(content, encoding="utf-8")
    return read_observed(file)


def mistakes_of(folder: Path, content: str) -> tuple[Mistake, ...]:
    with pytest.raises(TableError) as caught:
        observed_of(folder, content)
    return caught.value.mistakes


def test_observations_are_read_with_their_lines(tmp_path: Path) -> None:
    observed = observed_of(tmp_path, "time_s,output,on,amps,volts\n8,bell,0\n3.5,bell,1,3.2,12.6\n9,fan,1,,12.1\n")
    assert observed == Observed(
        str(tmp_path / "seen.csv"),
        (
            Observation(3.5, "bell", on=True, amps=3.2, volts=12.6, line=3),
            Observation(8.0, "bell", on=False, line=2),
            Observation(9.0, "fan", on=True, volts=12.1, line=4),
        ),
    )
    assert len(observed) == 3
    assert [seen.on for seen in observed] == [True, False, True]


@pytest.mark.parametrize(
    ("word", "on"),
    [
        ("1", True),
        ("on", True),
        ("Yes", True),
        ("TRUE", True),
        ("0", False),
        ("OFF", False),
        ("no", False),
        ("false", False),
    ],
)
def test_on_may_be_said_in_several_words(tmp_path: Path, word: str, on: bool) -> None:  # noqa: FBT001  # of a table
    assert [seen.on for seen in observed_of(tmp_path, f"3.5,bell,{word}\n")] == [on]


def test_semicolons_go_with_decimal_commas(tmp_path: Path) -> None:
    (seen,) = observed_of(tmp_path, "output;on;volts;time_s;amps\nbell;on;12,6;3,5;3,25\n")
    assert seen == Observation(3.5, "bell", on=True, amps=3.25, volts=12.6, line=2)


@pytest.mark.parametrize(
    ("row", "expected", "found"),
    [
        ("4,bell", "1 or 0, on or off, yes or no, true or false in column on", "nothing"),
        ("4,bell,2", "1 or 0, on or off, yes or no, true or false in column on", "'2'"),
        ("4,bell,lit", "1 or 0, on or off, yes or no, true or false in column on", "'lit'"),
        ("x4,bell,on", "a number in column time_s", "'x4'"),
        ("4,,on", "a name of letters, digits, _ and - in column output", "nothing"),
        ("4,bell,1,3 A", "a number in column amps", "'3 A'"),
        ("4,bell,1,3,12V", "a number in column volts", "'12V'"),
        ("4,bell,1,3,12,7", "at most 5 cells (time_s,output,on,amps,volts)", "6, the last of them '7'"),
    ],
)
def test_a_bad_row_is_named_with_its_line(tmp_path: Path, row: str, expected: str, found: str) -> None:
    assert mistakes_of(tmp_path, f"{row}\n5,bell,0\n") == (Mistake("line 1", expected, found),)
    assert mistakes_of(tmp_path, f"1,bell,1\n{row}\n") == (Mistake("line 2", expected, found),)


def test_a_header_without_a_needed_column_is_a_mistake(tmp_path: Path) -> None:
    assert mistakes_of(tmp_path, "time_s,output,amps\n1,bell,3\n") == (
        Mistake("line 1", "the columns time_s,output,on[,amps][,volts]", "a header without on"),
    )


def test_outputs_are_those_of_the_plan(tmp_path: Path) -> None:
    plan = loaded(tmp_path)
    check_observed(plan, observed_of(tmp_path, "1,bell,1\n2,fan,0\n"))
    check_observed(plan, Observed())
    with pytest.raises(TableError) as caught:
        check_observed(plan, observed_of(tmp_path, "1,beacn,1\n2,fan,0\n3,key,1\n"))
    assert caught.value.mistakes == (
        Mistake("line 1", "an output of the plan", "'beacn'", ("beacon",)),
        Mistake("line 3", "an output of the plan", "'key'", ()),
    )


def test_a_table_of_marks_in_its_place_is_told_by_its_header_alone(tmp_path: Path) -> None:
    mistakes = mistakes_of(tmp_path, "time_s,label,until_s\n1.5,horn,2.5\n3.5,horn,4.5\n")
    assert {each.key for each in mistakes} == {"line 1"}
    assert mistakes[-1].found == "a header without output, on"
