from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import jsonschema
import pytest

from canlens.cli import main
from canlens.rehearsal.written_rehearsal import write_candump
from canlens.reports.schema import compare_schema
from tests.unit.small_buses import Sent, bus, others

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    speed = Sent("Speed", 0x100, every_s=0.1)
    write_candump(bus(speed, *others(), end_s=20).trace, tmp_path / "before.log")
    write_candump(bus(speed, *others(), end_s=25).trace, tmp_path / "same.log")
    write_candump(bus(*others(), end_s=20).trace, tmp_path / "after.log")
    (tmp_path / "empty.log").write_bytes(b"")
    return tmp_path


def _run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr(sys, "argv", ["canlens", *arguments])
    with pytest.raises(SystemExit) as leaving:
        main()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


@pytest.mark.usefixtures("logs")
@pytest.mark.parametrize(
    ("files", "code", "first"),
    [
        (("before.log", "same.log"), 0, "NO CHANGE SEEN"),
        (("before.log", "before.log"), 0, "NO CHANGE SEEN"),
        (("before.log", "after.log"), 1, "WORSE"),
        (("after.log", "before.log"), 1, "CHANGED"),
        (("before.log", "empty.log"), 1, "WORSE"),
        (("empty.log", "before.log"), 3, "NOT COMPARABLE"),
    ],
)
def test_the_verdict_is_the_exit_code_and_the_first_word(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], files: tuple[str, str], code: int, first: str
) -> None:
    assert _run(monkeypatch, "compare", *files) == code
    text = capsys.readouterr().out
    assert text.startswith(f"{first} –")
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.usefixtures("logs")
@pytest.mark.parametrize("files", [("before.log", "same.log"), ("before.log", "after.log"), ("empty.log", "after.log")])
def test_the_written_form_obeys_its_schema(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], files: tuple[str, str]
) -> None:
    _run(monkeypatch, "compare", *files, "--json", "-")
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, compare_schema())
    assert document["schema"] == "canlens/compare/1"


def test_a_baseline_that_a_survey_kept_stands_for_its_recording(
    logs: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _run(monkeypatch, "survey", "before.log", "--save-baseline", "kept.baseline")
    assert (logs / "kept.baseline").stat().st_size < (logs / "before.log").stat().st_size
    (logs / "before.log").unlink()
    assert _run(monkeypatch, "compare", "kept.baseline", "same.log") == 0
    assert _run(monkeypatch, "compare", "kept.baseline", "after.log") == 1
    assert "0x100 is gone" in capsys.readouterr().out


@pytest.mark.usefixtures("logs")
@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("compare", "before.log", "befor.log"), "Close names: before.log"),
        (("compare", "-", "-"), "only once"),
        (("compare", "before.log", "after.log", "--dbc", "x.dbc", "--plan", "x.toml"), "Give one of them"),
        (("compare", "before.log", "after.log", "--json", "before.log"), "would overwrite"),
        (("compare", "before.log", "after.log", "--channel", "can7"), "no channel 'can7'"),
        (("survey", "before.log", "--save-baseline", "before.log"), "would overwrite"),
        (("survey", "before.log", "--save-baseline", "-"), "must be a file"),
        (("survey", "before.log", "--save-baseline", "x", "--json", "x"), "a file each"),
    ],
)
def test_wrong_usage_is_answered_with_a_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], told: str
) -> None:
    assert _run(monkeypatch, *arguments) == 2
    assert told in capsys.readouterr().err
