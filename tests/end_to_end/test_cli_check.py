from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import canlens
from canlens.reports.layout import display_width

if TYPE_CHECKING:
    from collections.abc import Mapping

ROOT = Path(canlens.__file__).parents[1]
PLAN = str(ROOT / "traces" / "quernholt.toml")
HEALTHY = str(ROOT / "traces" / "quernholt-healthy.log.gz")
FAULTY = str(ROOT / "traces" / "quernholt-two-faults.log.gz")


def canlens_command(
    *arguments: str, stdin: bytes = b"", environment: Mapping[str, str] | None = None, folder: Path | None = None
) -> subprocess.CompletedProcess[bytes]:
    """Run the command as a person would; UTF-8 unless the environment says otherwise."""
    return subprocess.run(
        [sys.executable, "-m", "canlens", *arguments],
        input=stdin,
        capture_output=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", **(environment or {})},
    )


def _no_traceback(done: subprocess.CompletedProcess[bytes]) -> None:
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr


@pytest.fixture(scope="module")
def failed() -> subprocess.CompletedProcess[bytes]:
    return canlens_command("check", PLAN, FAULTY)


def test_a_healthy_install_is_proven() -> None:
    done = canlens_command("check", PLAN, HEALTHY)
    assert done.returncode == 0
    assert done.stdout.decode().startswith("PROVEN – all 6 outputs did what the plan says in this recording.\n")
    assert done.stderr == b""


def test_an_install_with_faults_fails_and_its_first_ten_lines_say_where_why_and_what_to_do(
    failed: subprocess.CompletedProcess[bytes],
) -> None:
    assert failed.returncode == 1
    verdict, where, *head = failed.stdout.decode().splitlines()[:10]
    assert verdict.startswith("FAILED – 3 of 6 outputs do not do what the plan says.")
    assert "broken at link" in where
    starts = [line.split(":")[0] for line in head]
    assert starts.index("Most likely") < starts.index("Do next") < starts.index("Caution")


def test_too_little_of_the_job_is_not_proven(tmp_path: Path) -> None:
    lines = gzip.decompress(Path(HEALTHY).read_bytes()).splitlines(keepends=True)
    (tmp_path / "short.log").write_bytes(b"".join(lines[: len(lines) // 12]))
    done = canlens_command("check", PLAN, str(tmp_path / "short.log"))
    assert done.returncode == 3
    assert done.stdout.startswith(b"NOT PROVEN")
    assert b"NOT TESTED\n" in done.stdout


def test_an_empty_recording_is_no_traffic_and_failed(tmp_path: Path) -> None:
    (tmp_path / "empty.log").touch()
    done = canlens_command("check", PLAN, str(tmp_path / "empty.log"), "--json", "-")
    assert done.returncode == 1
    document = json.loads(done.stdout)
    assert document["causes"][0]["cause"] == "no-traffic"
    assert {output["verdict"] for output in document["outputs"].values()} == {"not-proven"}


@pytest.mark.parametrize(
    "arguments",
    [
        [PLAN, "no-such.log"],
        ["no-such.toml", HEALTHY],
        [HEALTHY, PLAN],
        [HEALTHY, HEALTHY],
        [PLAN, str(ROOT)],
        [PLAN, sys.executable],
        [PLAN, HEALTHY, "--marks", "no-such.csv"],
        [PLAN, HEALTHY, "--marks", PLAN],
        [PLAN, HEALTHY, "--observed", PLAN],
        [PLAN, HEALTHY, "--readings", HEALTHY],
        [PLAN, HEALTHY, "--channel", "no-such-channel"],
        [PLAN, HEALTHY, "--json", "no-such-folder/result.json"],
    ],
)
def test_what_cannot_be_read_or_written_is_a_sentence_and_exit_code_2(arguments: list[str], tmp_path: Path) -> None:
    done = canlens_command("check", *arguments, folder=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.strip()
    _no_traceback(done)


@pytest.mark.parametrize("packed", [True, False])
def test_standard_input_gives_the_same_result_as_the_file(packed: bool) -> None:  # noqa: FBT001 – two cases
    content = Path(FAULTY).read_bytes()
    done = canlens_command("check", PLAN, "-", "--json", "-", stdin=content if packed else gzip.decompress(content))
    assert done.returncode == 1
    piped = json.loads(done.stdout)
    from_file = json.loads(canlens_command("check", PLAN, FAULTY, "--json", "-").stdout)
    assert piped["recording"]["file"] == "-"
    assert {file for each in piped["outputs"].values() for file in each.pop("decided_by")} == {"-"}
    assert {file for each in from_file["outputs"].values() for file in each.pop("decided_by")} == {FAULTY}
    for key in ("verdict", "outputs", "findings", "controls", "bus", "causes"):
        assert piped[key] == from_file[key]


def test_json_on_standard_output_is_what_the_library_gives() -> None:
    done = canlens_command("check", PLAN, FAULTY, "--json", "-", environment={"PYTHONIOENCODING": "ascii"})
    assert done.stderr == b""
    checkup = canlens.check(canlens.read_plan(PLAN), canlens.read_trace(FAULTY))
    assert json.loads(done.stdout.decode("utf-8")) == checkup.to_dict()


def test_a_named_json_file_is_replaced_whole(tmp_path: Path) -> None:
    target = tmp_path / "result.json"
    target.write_text("x" * 1_000_000)
    assert canlens_command("check", PLAN, HEALTHY, "--json", str(target)).returncode == 0
    assert json.loads(target.read_bytes())["verdict"] == "proven"


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252", "cp437"])
def test_the_report_fits_80_columns_on_any_console(encoding: str) -> None:
    done = canlens_command("check", PLAN, FAULTY, environment={"PYTHONIOENCODING": encoding})
    assert done.returncode == 1
    lines = done.stdout.decode(encoding).splitlines()
    assert lines[0].startswith("FAILED")
    assert max(map(display_width, lines)) <= 80


def test_several_recordings_are_one_job() -> None:
    done = canlens_command("check", PLAN, FAULTY, HEALTHY, "--json", "-")
    document = json.loads(done.stdout)
    assert [Path(each["file"]).name for each in document["recordings"]] == [Path(HEALTHY).name, Path(FAULTY).name]
    assert document["verdict"] == "failed"  # the recording that is later by its stamps decides, however they are given
    assert document["outputs"]["air_horn"]["decided_by"] == [FAULTY]
    assert done.returncode == 1


def test_hostile_names_and_a_hostile_title_do_nothing_to_the_console(tmp_path: Path) -> None:
    (tmp_path / "traces").mkdir()
    (tmp_path / "dbc_examples").mkdir()
    for dbc in (ROOT / "dbc_examples").glob("*.dbc"):
        (tmp_path / "dbc_examples" / dbc.name).write_bytes(dbc.read_bytes())
    plan = Path(PLAN).read_text(encoding="utf-8").splitlines()
    title = next(number for number, line in enumerate(plan) if line.startswith("title"))
    plan[title] = r'title = "[bold]x[/] \u001b[31m \u202e end"'
    (tmp_path / "traces" / "[red]p\x1b[31m.toml").write_text("\n".join(plan), encoding="utf-8")
    log = tmp_path / "traces" / "[bold]j\x1b[2J.log.gz"
    log.write_bytes(Path(HEALTHY).read_bytes())
    done = canlens_command("check", str(tmp_path / "traces" / "[red]p\x1b[31m.toml"), str(log))
    assert done.returncode == 0
    text = done.stdout.decode()
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert r"OUTPUTS of [bold]x[/] \x1b[31m \u202e end" in text
    assert r"[bold]j\x1b[2J.log.gz" in text.replace("\n", "").replace(" ", "")


@pytest.mark.skipif(os.name == "nt", reason="pipes that end early are signalled otherwise there")
def test_a_reader_that_leaves_early_is_no_trouble() -> None:
    program = subprocess.Popen(
        [sys.executable, "-m", "canlens", "check", PLAN, FAULTY],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert program.stdout is not None
    assert program.stderr is not None
    program.stdout.close()
    stderr = program.stderr.read()
    program.stderr.close()
    assert stderr == b""
    assert program.wait() == 1  # the verdict, whoever read it


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process there")
def test_ctrl_c_while_reading_ends_without_a_traceback() -> None:
    program = subprocess.Popen(
        [sys.executable, "-m", "canlens", "check", PLAN, "-"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert program.stdin is not None
    program.stdin.write(b"(1.0) can0 123#00\n" * 20_000)  # more than a pipe holds: it is being read when this ends
    program.stdin.flush()
    program.send_signal(signal.SIGINT)
    stdout, stderr = program.communicate()
    assert program.returncode == 130
    assert stdout == b""
    assert stderr == b"\nStopped.\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_a_sentence_and_exit_code_2() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "canlens", "check", PLAN, HEALTHY],
            stdout=full,
            stderr=subprocess.PIPE,
            check=False,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
    assert done.returncode == 2
    assert done.stderr == b"standard output: cannot be written: No space left on device.\n"
