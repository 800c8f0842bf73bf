from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pytest

from canlens.handover.redaction import CLOCK, FOLDERS, VIN_LIKE, Redaction, clocks

SECRETS = [
    ("vehicle.registration", "AB 12-CDE"),
    ("vehicle.owner", "Jo O'Neil"),
    ("date", "2026-03-09"),
    ("number", "4711"),
    ("place", "Ox"),
]


def _text(text: str) -> str:
    return Redaction(SECRETS, []).text(text)


@pytest.mark.parametrize("written", ["AB 12-CDE", "ab12cde", "AB_12_CDE", "a.b.1.2.c.d.e", "AB12CDE"])
def test_a_registration_is_found_however_it_is_written(written: str) -> None:
    assert _text(f"x_{written}.log") == "x_REMOVED_1.log"


@pytest.mark.parametrize("written", ["Jo O'Neil", "jo_o_neil", "Jo  O’Neil", 'Jo O\\"Neil'])
def test_a_name_is_found_whatever_stands_between_its_words(written: str) -> None:
    assert _text(f"by {written}, today") == "by REMOVED_1, today"


def test_a_part_of_a_longer_word_stays() -> None:
    assert _text("XAB12CDE AB12CDEF jo") == "XAB12CDE AB12CDEF jo"


@pytest.mark.parametrize("written", ["2026-03-09", "20260309", "2026_03_09", "2026.03.09"])
def test_a_date_is_found_in_a_file_name(written: str) -> None:
    assert _text(f"{written}_run.log") == "REMOVED_1_run.log"


@pytest.mark.parametrize("text", ["14711", "47110", "1.4711", "4711.5"])
def test_a_number_is_not_taken_out_of_another_number(text: str) -> None:
    assert _text(text) == text


def test_a_text_of_two_letters_is_not_searched_for() -> None:
    assert _text("an ox") == "an ox"


def test_the_same_text_gets_the_same_word_and_another_text_another() -> None:
    redaction = Redaction(SECRETS, [])
    assert redaction.text("AB12CDE, Jo O'Neil, ab 12 cde") == "REMOVED_1, REMOVED_2, REMOVED_1"


@pytest.mark.parametrize(
    "number",
    [
        "ZZZHN2E38TK001234",  # the form of ISO 3779: the last four are digits
        "zzzhn2e38tk001234",
        "ZZZHN2E38TK00123X",  # in capitals, with digits
    ],
)
def test_what_looks_like_a_vehicle_identification_number_is_taken_out(number: str) -> None:
    redaction = Redaction([], [])
    assert redaction.text(f"job_{number}_2 {number}") == "job_REMOVED_1_2 REMOVED_1"
    assert {row.what: row.count for row in redaction.left_out()} == {FOLDERS: 0, CLOCK: 0, VIN_LIKE: 2}


@pytest.mark.parametrize("word", ["TEMPERATURESENSOR", "12345678901234567", "brakePressureLvlA", "ab" * 32])
def test_seventeen_letters_or_seventeen_digits_and_hashes_stay(word: str) -> None:
    assert Redaction([], []).text(word) == word


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("/home/jo/logs/run.log, line 3", "run.log, line 3"),
        (r"C:\Users\Jo N\run.log", "run.log"),
        (r"C:\\Users\\Jo\\run.log", "run.log"),
        (r"\\server\share\run.log", "run.log"),
        ("file:///home/jo/run.log", "run.log"),
        ("3 of 5, on/off, 50 km/h, 51 / 66 ms", "3 of 5, on/off, 50 km/h, 51 / 66 ms"),
    ],
)
def test_folders_are_taken_off_and_nothing_else(text: str, left: str) -> None:
    assert Redaction([], []).text(text) == left


def test_the_paths_of_the_job_lose_their_folders_even_with_blanks_or_relative() -> None:
    redaction = Redaction([], ["/home/jo n/my logs/run 1.log", "jo/../x/bus.dbc"])
    assert redaction.text("/home/jo n/my logs/run 1.log and jo/../x/bus.dbc") == "run 1.log and bus.dbc"


START_S = 1773050400.0
"""2026-03-09 10:00 UTC (date -u -d @1773050400)."""


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("(1773050400.25) can0", "(0.250000) can0"),
        ("at 1773050390", "at -10.000000"),
        ("2026-03-09 20260310 2026_02_20.log", "REMOVED_DATE REMOVED_DATE REMOVED_DATE.log"),
        ("9.3.2026, 03/09/2026", "REMOVED_DATE, REMOVED_DATE"),
        ("version 2024-03-09, 99999999999, 123456789", "version 2024-03-09, 99999999999, 123456789"),
        ("2026-13-45, 5000000, ab1773050400cd", "2026-13-45, 5000000, ab1773050400cd"),
    ],
)
def test_stamps_and_dates_of_the_recording_are_taken_out_of_texts(text: str, left: str) -> None:
    assert Redaction([], [], clocks([(START_S, 60.0)])).text(text) == left


def test_a_recording_that_counts_from_nought_tells_no_date() -> None:
    assert clocks([(0.0, 5.0), (None, 0.0), (12345.6, 60.0), (1e18, 1.0)]) == ()
    assert Redaction([], [], ()).text("(1773050400.25) 2026-03-09") == "(1773050400.25) 2026-03-09"


class Pair(NamedTuple):
    left: str
    right: int


@dataclass(frozen=True)
class Noun:
    text: str
    rows: tuple[Pair, ...]
    by_name: dict[str, list[str]]
    column: np.ndarray[tuple[int], np.dtype[np.int64]]


def test_every_text_in_a_noun_is_reached_and_what_holds_none_is_kept() -> None:
    column = np.arange(3)
    noun = Noun("AB12CDE", (Pair("AB12CDE", 2),), {"AB12CDE": ["x", "AB12CDE"]}, column)
    bare = Redaction(SECRETS, []).noun(noun)
    assert bare == Noun("REMOVED_1", (Pair("REMOVED_1", 2),), {"REMOVED_1": ["x", "REMOVED_1"]}, column)
    assert bare.column is column


def test_asking_whether_a_value_is_touched_counts_nothing() -> None:
    redaction = Redaction(SECRETS, [])
    assert redaction.touches({"a": ["b", {"AB12CDE": 1}]})
    assert not redaction.touches({"a": ["b", {"c": 1}]})
    assert all(row.count == 0 for row in redaction.left_out())
