from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

import canlens
from canlens.reports.layout import display_width
from tests.end_to_end.test_cli_check import FAULTY, HEALTHY, PLAN, ROOT, canlens_command

DATABASE = str(ROOT / "dbc_examples" / "quernholt.dbc")


def test_a_well_bus_is_exit_code_0_and_the_first_line_says_so() -> None:
    done = canlens_command("survey", HEALTHY, "--dbc", DATABASE)
    assert done.returncode == 0
    assert done.stdout.decode().startswith("WELL")
    assert done.stderr == b""


def test_faults_of_outputs_are_no_faults_of_the_bus() -> None:
    assert canlens_command("survey", FAULTY, "--dbc", DATABASE).returncode == 0


def test_a_dead_bus_is_a_failure(tmp_path: Path) -> None:
    (tmp_path / "empty.log").touch()
    done = canlens_command("survey", str(tmp_path / "empty.log"))
    assert done.returncode == 1
    assert done.stdout.decode().startswith("NOT WELL")


def test_a_recording_full_of_bad_lines_is_too_poor(tmp_path: Path) -> None:
    lines = gzip.decompress(Path(HEALTHY).read_bytes()).splitlines(keepends=True)[:3000]
    spoilt = [b"(1760000000.5) can0 nonsense\n" if number % 20 == 7 else line for number, line in enumerate(lines)]
    (tmp_path / "spoilt.log").write_bytes(b"".join(spoilt))
    done = canlens_command("survey", str(tmp_path / "spoilt.log"))
    assert done.returncode == 3
    assert done.stdout.decode().startswith("CANNOT TELL")


def test_a_repeated_identifier_of_a_second_sender_is_exit_code_1(tmp_path: Path) -> None:
    lines = [(0.05 * number, f"100#{number % 16:02x}5a") for number in range(240)]
    lines += [(0.013 + 0.0613 * number, f"100#{number % 16:02x}a5") for number in range(190)]
    text = "".join(f"({1_700_000_000 + time:.6f}) can0 {frame}\n" for time, frame in sorted(lines))
    (tmp_path / "two.log").write_text(text)
    done = canlens_command("survey", str(tmp_path / "two.log"), "--bit-rate", "500000", "--json", "-")
    assert done.returncode == 1
    assert "duplicate-sender" in {each["check"] for each in json.loads(done.stdout)["findings"]}


def test_json_on_standard_output_is_what_the_library_gives() -> None:
    done = canlens_command("survey", HEALTHY, "--dbc", DATABASE, "--bit-rate", "125000", "--json", "-")
    assert done.stderr == b""
    overview = canlens.survey(canlens.read_trace(HEALTHY), canlens.read_database(DATABASE), bit_rate=125_000)
    assert json.loads(done.stdout.decode("utf-8")) == overview.to_dict()


def test_standard_input_gives_the_same_result_as_the_file() -> None:
    piped = json.loads(canlens_command("survey", "-", "--json", "-", stdin=Path(HEALTHY).read_bytes()).stdout)
    from_file = json.loads(canlens_command("survey", HEALTHY, "--json", "-").stdout)
    for key in ("verdict", "bus", "identifiers", "quiet"):
        assert piped[key] == from_file[key]


def test_a_named_json_file_is_written_and_the_page_printed(tmp_path: Path) -> None:
    target = tmp_path / "survey.json"
    done = canlens_command("survey", HEALTHY, "--json", str(target))
    assert done.returncode == 0
    assert json.loads(target.read_bytes())["schema"] == "canlens/survey/1"
    assert done.stdout.decode().startswith("WELL")


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp437"])
def test_the_page_fits_80_columns_on_any_console(encoding: str) -> None:
    done = canlens_command("survey", HEALTHY, "--dbc", DATABASE, environment={"PYTHONIOENCODING": encoding})
    assert max(map(display_width, done.stdout.decode(encoding).splitlines())) <= 80


@pytest.mark.parametrize(
    "arguments",
    [
        ["no-such.log"],
        [HEALTHY, "--dbc", "no-such.dbc"],
        [HEALTHY, "--dbc", "-"],
        [HEALTHY, "--dbc", PLAN],
        [HEALTHY, "--bit-rate", "0"],
        [HEALTHY, "--bit-rate", "fast"],
        [HEALTHY, "--channel", "no-such-channel"],
        [HEALTHY, "--json", "no-such-folder/result.json"],
        [str(ROOT)],
        [],
    ],
)
def test_what_cannot_be_read_or_written_is_a_sentence_and_exit_code_2(arguments: list[str], tmp_path: Path) -> None:
    done = canlens_command("survey", *arguments, folder=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.strip()
    assert b"Traceback" not in done.stderr


def test_the_recording_is_never_overwritten(tmp_path: Path) -> None:
    log = tmp_path / "job.log.gz"
    log.write_bytes(Path(HEALTHY).read_bytes())
    assert canlens_command("survey", str(log), "--json", str(log)).returncode == 2
    assert log.read_bytes() == Path(HEALTHY).read_bytes()


def test_the_database_is_held_against_the_recording(tmp_path: Path) -> None:
    lines = [f"(17600000{n:02}.000000) can0 18FEF121#{n % 3:02X}0{n % 2}" for n in range(40)]
    (tmp_path / "bus.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = 'VERSION ""\nBS_:\nBU_: A\nBO_ 2566844672 Speed: 3 A\n SG_ Lever : 0|2@1+ (1,0) [0|1] "" A\n'
    (tmp_path / "bus.dbc").write_text(text, encoding="utf-8")
    log, database = str(tmp_path / "bus.log"), str(tmp_path / "bus.dbc")
    plain = json.loads(canlens_command("survey", log, "--dbc", database, "--json", "-").stdout)
    (near,) = [each for each in plain["findings"] if each["check"] == "unlisted-identifier"]
    assert near["subject"] == ["Speed"]
    assert near["severity"] == "warning"
    matched = canlens_command("survey", log, "--dbc", database, "--match-pgn", "--json", "-")
    checks = {each["check"] for each in json.loads(matched.stdout)["findings"]}
    assert {"other-length", "undeclared-value", "uncovered-bits", "unlisted-identifier"} <= checks
    assert "unseen-message" not in checks
