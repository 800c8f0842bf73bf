from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import canlens
from canlens.rehearsal.written_rehearsal import marks_text, write_candump
from canlens.reports.layout import display_width
from tests.end_to_end.test_cli_check import canlens_command
from tests.unit.small_sessions import Follows, Slots, cyclic, noise, recorded

SLOTS = Slots("..HB.HBHB..H.BH..BH.BH.HB.HB..")
SCHEMA = json.loads((Path(canlens.__file__).parent / "schemas" / "discover-1.json").read_bytes())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a session with a horn and a brake on the bus, and one of which the bus shows only the horn."""
    made = tmp_path_factory.mktemp("session")
    horn = Follows(SLOTS.spans("H"), 2, 4)
    both = cyclic(0x123, horn, Follows(SLOTS.spans("B"), 3, 1), end_s=SLOTS.end_s)
    beside = noise(3, end_s=SLOTS.end_s)
    write_candump(recorded(*beside, both), made / "both.log")
    write_candump(recorded(*beside, cyclic(0x123, horn, end_s=SLOTS.end_s)), made / "horn.log")
    (made / "marks.csv").write_text(marks_text(SLOTS.marks()), "utf-8")
    (made / "known.dbc").write_text(
        'VERSION ""\nBU_: A\nBO_ 291 Grip: 8 A\n SG_ Horn : 20|1@1+ (1,0) [0|1] "" A\n', "utf-8"
    )
    return made


def _discover(folder: Path, log: str, *more: str) -> tuple[int, str]:
    done = canlens_command("discover", str(folder / log), "--marks", str(folder / "marks.csv"), *more)
    return done.returncode, done.stdout.decode("utf-8")


def test_every_control_named_is_exit_code_0_and_the_first_line_says_so(folder: Path) -> None:
    code, text = _discover(folder, "both.log")
    assert code == 0
    assert text.startswith("EVERY CONTROL NAMED")
    assert "0x123, byte 2, bit 4, on = 1" in text
    assert "0x123, byte 3, bit 1, on = 1" in text


def test_a_control_that_is_not_on_the_bus_is_exit_code_3_with_a_next_step(folder: Path) -> None:
    code, text = _discover(folder, "horn.log")
    assert code == 3
    assert text.startswith("NOT EVERY CONTROL NAMED")
    assert "Named: horn. Not named: brake." in " ".join(text.split())
    assert "Next:" in text


def test_the_slots_stand_as_rows_of_ticks_below_each_other(folder: Path) -> None:
    _, text = _discover(folder, "both.log")
    lines = text.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("operated"))
    operated, best = (line.split()[-1] for line in lines[at : at + 2])
    assert [each == "█" for each in operated] == [letter == "H" for letter in SLOTS.letters]
    assert best == operated.replace("▄", "·")
    assert lines[at].index(operated) == lines[at + 1].index(best)


@pytest.mark.parametrize("log", ["both.log", "horn.log"])
def test_no_line_is_longer_than_80_columns(folder: Path, log: str) -> None:
    for line in _discover(folder, log)[1].splitlines():
        assert display_width(line) <= 80


def test_json_on_standard_output_is_what_the_library_gives_and_obeys_the_schema(folder: Path) -> None:
    code, text = _discover(folder, "horn.log", "--json", "-")
    assert code == 3
    found = canlens.discover(canlens.read_trace(folder / "horn.log"), canlens.read_marks(folder / "marks.csv"))
    assert json.loads(text) == found.to_dict()
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(text))
    assert json.loads(text)["schema"] == "canlens/discover/1"


def test_json_into_a_file_leaves_the_text_on_standard_output(folder: Path, tmp_path: Path) -> None:
    _, text = _discover(folder, "both.log", "--json", str(tmp_path / "out.json"))
    assert text.startswith("EVERY CONTROL NAMED")
    assert set(json.loads((tmp_path / "out.json").read_bytes())["controls"]) == {"horn", "brake"}


def test_a_database_says_what_is_known_already(folder: Path) -> None:
    _, text = _discover(folder, "both.log", "--dbc", str(folder / "known.dbc"))
    assert "Grip.Horn" in text
    assert "In message Grip" in text


def test_what_cannot_be_used_is_exit_code_2_with_a_sentence(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "rests.csv").write_text("1.0,rest\n2.0,rest\n", "utf-8")
    (tmp_path / "bad.csv").write_text("soon,horn\n", "utf-8")
    log, marks = str(folder / "both.log"), str(folder / "marks.csv")
    for arguments, words in (
        ([log], "--marks"),
        ([log, "--marks", str(tmp_path / "rests.csv")], "at least one exercise"),
        ([log, "--marks", str(tmp_path / "bad.csv")], "line 1: expected a number"),
        ([log, "--marks", str(tmp_path / "none.csv")], "no such file"),
        ([log, "--marks", "-"], "must be a file"),
        ([str(folder / "none.log"), "--marks", marks], "no such file"),
        ([log, "--marks", marks, "--channel", "can7"], "no channel 'can7'"),
        ([log, "--marks", marks, "--json", marks], "overwrite"),
    ):
        done = canlens_command("discover", *arguments)
        assert done.returncode == 2, arguments
        assert words in " ".join(done.stderr.decode("utf-8").split()), arguments
        assert b"Traceback" not in done.stderr


def test_an_empty_recording_names_nothing(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "empty.log").touch()
    done = canlens_command("discover", str(tmp_path / "empty.log"), "--marks", str(folder / "marks.csv"))
    assert done.returncode == 3
    assert "no data frames" in done.stdout.decode("utf-8")
