from __future__ import annotations

import io
import os
import stat
import sys
from typing import TYPE_CHECKING

import pytest
import typer

from canlens.cli.inputs import require_file, require_place
from canlens.cli.streams import guarded, replace_file, say
from canlens.errors import Mistake, PlanError, UsageError

if TYPE_CHECKING:
    from pathlib import Path


def _console(monkeypatch: pytest.MonkeyPatch, encoding: str) -> io.BytesIO:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    return raw


def test_a_console_gets_only_what_it_can_show(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = _console(monkeypatch, "cp1252")
    say("60 Ω – ✓\n")
    assert raw.getvalue().decode("cp1252") == "60 ohm – +\n"


def test_a_program_without_standard_output_writes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", None)
    say("lost")
    assert sys.stdout is None


def test_a_file_is_replaced_whole(tmp_path: Path) -> None:
    target = tmp_path / "result.json"
    target.write_text("a much longer text that stood there before")
    replace_file(target, b"new")
    assert target.read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["result.json"]


def test_a_link_to_a_file_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.json").write_text("old")
    (tmp_path / "link.json").symlink_to(tmp_path / "real.json")
    replace_file(tmp_path / "link.json", b"new")
    assert (tmp_path / "link.json").is_symlink()
    assert (tmp_path / "real.json").read_bytes() == b"new"


def test_a_pipe_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    replace_file(pipe, b"new")
    assert os.read(reader, 10) == b"new"
    os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_folder_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"result\.json: cannot be written: No such file or directory"):
        replace_file(tmp_path / "none" / "result.json", b"")


def test_a_folder_in_place_of_a_file_is_a_sentence_and_stays(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be written: Is a directory"):
        replace_file(tmp_path, b"")
    assert tmp_path.is_dir()


def test_a_missing_file_names_those_that_look_alike(tmp_path: Path) -> None:
    (tmp_path / "garage.log").touch()
    with pytest.raises(UsageError, match=r"no such file\. Close names: garage\.log\."):
        require_file(str(tmp_path / "garege.log"), what="a recording")


def test_a_folder_is_not_taken_for_a_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="expected the plan, found a folder"):
        require_file(str(tmp_path), what="the plan")


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"there is no folder .*attic"):
        require_file(str(tmp_path / "attic" / "x.log"), what="a recording")


def test_standard_input_is_always_there() -> None:
    require_file("-", what="a recording")


def test_a_file_that_is_read_is_not_overwritten_under_another_name(tmp_path: Path) -> None:
    log = tmp_path / "job.log"
    log.touch()
    (tmp_path / "alias").symlink_to(log)
    with pytest.raises(UsageError, match="would overwrite a file that is read"):
        require_place(str(tmp_path / "alias"), ["-", None, str(log)])
    require_place(str(tmp_path / "new.json"), [str(log)])


def test_a_place_that_cannot_be_written_is_told_before_the_work(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no folder .*attic to write into"):
        require_place(str(tmp_path / "attic" / "report.html"), [])
    with pytest.raises(UsageError, match="expected a file to write, found a folder"):
        require_place(str(tmp_path), [])


def _code(error: BaseException | int) -> int:
    def command() -> int:
        if isinstance(error, int):
            return error
        raise error

    with pytest.raises(typer.Exit) as leaving:
        guarded(command)()
    return leaving.value.exit_code


def test_an_error_of_ours_is_a_sentence_and_exit_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    mistakes = (Mistake("bus", "a table", "a \x1b[31mnumber"), Mistake("outputs", "a table", "nothing"))
    assert _code(PlanError("plan.toml", mistakes)) == 2
    written = capsys.readouterr()
    assert written.out == ""
    assert written.err == (
        "plan.toml: bus: expected a table, found a \\x1b[31mnumber.\n"
        "plan.toml: outputs: expected a table, found nothing.\n"
    )


def test_a_file_that_is_wrong_in_every_line_does_not_flood_the_console(capsys: pytest.CaptureFixture[str]) -> None:
    mistakes = tuple(Mistake(f"line {number}", "a number", "nothing") for number in range(1, 101))
    assert _code(PlanError("marks.csv", mistakes)) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[19] == "marks.csv: line 20: expected a number, found nothing."
    assert lines[20:] == ["and 80 more mistakes of this file."]


def test_an_error_of_the_system_is_a_sentence_and_exit_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert _code(PermissionError(13, "Permission denied", "job.log")) == 2
    assert capsys.readouterr().err == "job.log: Permission denied.\n"


def test_ctrl_c_leaves_without_a_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    assert _code(KeyboardInterrupt()) == 130
    assert capsys.readouterr().err == "\nStopped.\n"


def test_the_answer_of_a_command_is_its_exit_code() -> None:
    assert _code(3) == 3
