from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import pytest

from canlens import causes, checks
from canlens.reports.reference_text import manual_text
from tests.end_to_end.test_cli_check import canlens_command

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("garage [bold] bench")


@pytest.fixture(scope="module")
def shown(place: Path) -> subprocess.CompletedProcess[bytes]:
    return canlens_command("demo", folder=place)


def test_the_demo_judges_both_recordings_as_they_must_be(shown: subprocess.CompletedProcess[bytes]) -> None:
    text = shown.stdout.decode()
    assert shown.returncode == 0
    assert shown.stderr == b""
    assert text.index("PROVEN – all 6 outputs") < text.index("FAILED – 3 of 6 outputs")
    assert "broken at link" in text


def test_the_commands_that_the_demo_prints_work(place: Path, shown: subprocess.CompletedProcess[bytes]) -> None:
    commands = [line for line in shown.stdout.decode().splitlines() if line.startswith("  canlens check ")]
    codes = [canlens_command(*shlex.split(command)[1:], folder=place).returncode for command in commands]
    assert codes == [0, 1]


@pytest.mark.usefixtures("shown")
def test_the_demo_does_not_write_over_a_folder_unasked(place: Path) -> None:
    plan = place / "canlens-demo" / "traces" / "quernholt.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    refused = canlens_command("demo", folder=place)
    assert refused.returncode == 2
    assert refused.stdout == b""
    assert refused.stderr == b"canlens-demo: is not empty. Name another folder, or write over it with --force.\n"
    assert plan.read_text(encoding="utf-8").endswith("# mine\n")
    assert canlens_command("demo", "--force", folder=place).returncode == 0
    assert not plan.read_text(encoding="utf-8").endswith("# mine\n")


def test_the_demo_takes_an_empty_folder_and_quotes_its_name(tmp_path: Path) -> None:
    (tmp_path / "my garage").mkdir()
    done = canlens_command("demo", "my garage", folder=tmp_path)
    assert done.returncode == 0
    assert "canlens check 'my garage/traces/quernholt.toml'" in done.stdout.decode()


def test_the_demo_refuses_a_file_as_its_folder(tmp_path: Path) -> None:
    (tmp_path / "notes").touch()
    done = canlens_command("demo", "notes", folder=tmp_path)
    assert done.returncode == 2
    assert b"expected a folder, found a file" in done.stderr


def test_explain_prints_a_page() -> None:
    done = canlens_command("explain", "unanswered-control")
    assert done.returncode == 0
    assert done.stdout.decode() == manual_text(
        next(each.manual for each in checks.ALL if each.name == "unanswered-control")
    )


@pytest.mark.parametrize("entry", [*checks.ALL, *causes.ALL], ids=lambda each: each.name)
def test_every_check_and_cause_has_a_page_of_80_columns(entry: checks.Check | causes.Candidate) -> None:
    lines = manual_text(entry.manual, encoding="ascii").splitlines()
    assert lines[0].startswith(f"{entry.name}: ")
    assert len(lines) > 3
    assert max(map(len, lines)) <= 80


def test_the_list_names_every_check_in_report_order_and_every_cause() -> None:
    lines = canlens_command("explain").stdout.decode().splitlines()
    names = [line.split()[0] for line in lines if line.startswith("  ") and not line.startswith("   ")]
    assert names == [*(check.name for check in checks.ALL), *(cause.name for cause in causes.ALL)]
