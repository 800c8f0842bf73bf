from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from canlens.cli import checking, main
from canlens.results.check import to_dict
from tests.unit import sample_results as sample

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.nouns.outputs import Evidence
    from canlens.results.check import CheckResult
    from canlens.results.form import Json


@dataclass
class Judged:
    """Stands for a checkup: what the command needs of one."""

    result: CheckResult
    evidence: tuple[Evidence, ...] = ()

    def to_dict(self) -> dict[str, Json]:
        return to_dict(self.result)


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name in ("plan.toml", "job.log"):
        (tmp_path / name).touch()
    return tmp_path


def _run(monkeypatch: pytest.MonkeyPatch, result: CheckResult, *arguments: str) -> int:
    monkeypatch.setattr(checking, "judge_job", lambda *_, **__: (Judged(result), []))
    monkeypatch.setattr(sys, "argv", ["canlens", "check", *arguments])
    with pytest.raises(SystemExit) as leaving:
        main()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


@pytest.mark.usefixtures("job")
@pytest.mark.parametrize(
    ("result", "code", "first"),
    [(sample.PROVEN, 0, "PROVEN"), (sample.FAILED, 1, "FAILED"), (sample.NOT_PROVEN, 3, "NOT PROVEN")],
)
def test_the_verdict_is_the_exit_code(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    result: CheckResult,
    code: int,
    first: str,
) -> None:
    assert _run(monkeypatch, result, "plan.toml", "job.log") == code
    assert capsys.readouterr().out.startswith(f"{first} –")


@pytest.mark.usefixtures("job")
def test_json_on_standard_output_is_alone_there(
    monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert _run(monkeypatch, sample.FAILED, "plan.toml", "job.log", "--json", "-") == 1
    written = capfdbinary.readouterr()
    assert json.loads(written.out) == to_dict(sample.FAILED)
    assert written.err == b""


def test_json_goes_to_a_file_beside_the_text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], job: Path
) -> None:
    assert _run(monkeypatch, sample.PROVEN, "plan.toml", "job.log", "--json", "r.json") == 0
    written = capsys.readouterr()
    assert json.loads((job / "r.json").read_bytes()) == to_dict(sample.PROVEN)
    assert written.err == "Wrote r.json.\n"
    assert written.out.startswith("PROVEN")


@pytest.mark.parametrize("target", ["plan.toml", "job.log"])
def test_json_never_overwrites_what_is_read(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], job: Path, target: str
) -> None:
    assert _run(monkeypatch, sample.PROVEN, "plan.toml", "job.log", "--json", target) == 2
    assert "would overwrite" in capsys.readouterr().err
    assert (job / target).read_bytes() == b""


@pytest.mark.usefixtures("job")
@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["plan.toml"], "Missing argument 'LOG"),
        ([], "Missing argument 'PLAN"),
        (["plan.toml", "jb.log"], "no such file. Close names: job.log."),
        (["pln.toml", "job.log"], "no such file. Close names: plan.toml."),
        (
            ["plan.toml", "job.log", "--marks", "m.csv"],
            "m.csv: expected the marks, but there is no such file.",
        ),
        (["plan.toml", "job.log", "--readings", "r"], "r: expected the readings"),
        (["plan.toml", "job.log", "--observed", "o"], "o: expected the observations"),
        (["plan.toml", "-", "-"], "-: standard input can be read only once."),
        (["-", "job.log"], "-: the plan must be a file"),
        (["job.log", "plan.toml"], "the plan comes first, the recordings behind it: canlens check plan.toml job.log"),
        (["plan.toml", "."], ".: expected a recording, found a folder"),
        (["plan.toml", "job.log", "--colour"], "No such option: --colour"),
        (["plan.toml", "job.log", "--json"], "requires an argument"),
    ],
)
def test_wrong_usage_is_a_sentence_and_exit_code_2(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    sentence: str,
) -> None:
    assert _run(monkeypatch, sample.PROVEN, *arguments) == 2
    written = capsys.readouterr()
    assert written.out == ""
    assert sentence in written.err
