"""``canlens rehearse``, as a person runs it."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest

from canlens.rehearsal import FAULTS
from canlens.rehearsal.coverage import Covered
from canlens.reports.reference_text import coverage_text
from tests.end_to_end.test_cli_check import PLAN, ROOT, canlens_command

if TYPE_CHECKING:
    from pathlib import Path


def test_a_rehearsal_is_written_with_its_truth_and_the_command_that_checks_it(tmp_path: Path) -> None:
    out = tmp_path / "job"
    done = canlens_command("rehearse", PLAN, "--fault", "load-open:beacon", "--seed", "4", "--out", str(out))
    assert done.returncode == 0, done.stderr
    assert {path.name for path in out.iterdir()} == {"recording.log", "marks.csv", "readings.toml", "truth.toml"}
    truth = tomllib.loads((out / "truth.toml").read_text("utf-8"))
    (fault,) = truth["faults"]
    assert (fault["cause"], fault["subject"]) == ("load-open", ["beacon"])
    assert truth["rules"]["air_horn"] == "horn"
    text = done.stdout.decode()
    assert text.startswith("load-open: no current flows from beacon.\n")
    (command,) = [line.strip() for line in text.splitlines() if line.startswith("  canlens check")]
    checked = canlens_command(*command.split()[1:])
    assert checked.returncode == 1
    assert b"beacon" in checked.stdout


def test_two_faults_and_their_strength_are_built_in(tmp_path: Path) -> None:
    words = ("rehearse", PLAN, "--fault", "terminator-missing", "--fault", "answer-late", "--strength", "0.8")
    done = canlens_command(*words, "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    faults = tomllib.loads((tmp_path / "truth.toml").read_text("utf-8"))["faults"]
    assert [(fault["cause"], fault["strength"]) for fault in faults] == [
        ("terminator-missing", 0.8),
        ("answer-late", 0.8),
    ]


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    (tmp_path / "marks.csv").write_text("mine", encoding="utf-8")
    words = ("rehearse", PLAN, "--fault", "no-traffic", "--out", str(tmp_path))
    refused = canlens_command(*words)
    assert refused.returncode == 2
    assert b"marks.csv: is there already" in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["marks.csv"]
    assert (tmp_path / "marks.csv").read_text("utf-8") == "mine"
    assert canlens_command(*words, "--force").returncode == 0
    assert (tmp_path / "marks.csv").read_text("utf-8").startswith("time_s,label,until_s\n")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((PLAN, "--fault", "load-opn"), "fault 'load-opn': expected one of load-open"),
        ((PLAN, "--fault", "load-open:radio"), "It can concern:"),
        ((PLAN, "--fault", "load-open", "--strength", "3"), "strength 3: expected a number from 0 to 1"),
        ((PLAN, "--seed", "-1"), "seed -1"),
        ((PLAN, "--coverage", "--fault", "load-open"), "leave out --fault"),
        (("nowhere.toml",), "nowhere.toml: expected the plan"),
        (("-",), "the plan must be a file"),
    ],
)
def test_wrong_usage_is_a_sentence(words: tuple[str, ...], sentence: str, tmp_path: Path) -> None:
    done = canlens_command("rehearse", *words, folder=tmp_path)
    assert done.returncode == 2
    assert sentence in done.stderr.decode()
    assert b"Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").touch()
    done = canlens_command("rehearse", PLAN, "--out", str(tmp_path / "taken"))
    assert done.returncode == 2
    assert b"expected a folder, found a file" in done.stderr


SMALL_PLAN = """
[bus]
bit_rate = 125_000
database = "{database}"
[controls.horn]
signal = "GripSwitches.Horn"
unknown = [2, 3]
[controls.key]
signal = "PanelKeys.BeaconKey"
[outputs.air_horn]
command = "HutboxState.Out1On"
when = "horn"
current = "HutboxAmps.Out1Amps"
continuous_a = 10
[outputs.beacon]
command = "HutboxState.Out6On"
when = "key"
"""


def test_the_coverage_of_a_plan_names_every_fault_of_the_catalogue(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(SMALL_PLAN.format(database=(ROOT / "dbc_examples" / "quernholt.dbc").as_posix()), "utf-8")
    done = canlens_command("rehearse", str(plan), "--coverage")
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode()
    told, _, impossible = text.partition("This plan has nothing that could have:")
    rows = {line.split()[0]: line.split()[1:] for line in told.splitlines() if line.split()[1:2] and line[0] != "-"}
    for cause, fault in FAULTS.items():
        assert (cause in rows or cause in impossible) == fault.is_cause, cause
    assert "run-on-differs" in impossible
    for cause in ("no-traffic", "outputs-swapped", "output-not-commanded", "load-open"):
        built, shown, measured, _ = map(int, rows[cause])
        assert (built, measured) == (shown, 0), cause
    assert max(map(len, text.splitlines())) <= 80


def test_the_table_tells_faults_that_do_not_show_and_faults_that_cannot_be() -> None:
    covered = [
        Covered("load-open", (("a",), ("b",)), 2, 0, 1),
        Covered("terminator-extra", ((),), 0, 1, 1),
        Covered("flash-differs", (), 0, 0, 0),
    ]
    text = coverage_text("A carrier", covered)
    answer = "A carrier: a recording with these exercises shows 1 of 2 kinds of fault every time. "
    assert " ".join(text.split()).startswith(answer)
    assert "Not always shown by the recording: terminator-extra." in text
    assert "This plan has nothing that could have: flash-differs." in text
