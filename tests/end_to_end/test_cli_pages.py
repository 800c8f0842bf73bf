"""``--html`` of check, survey and compare: where pages go, and where they may not go."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TRACES = Path(__file__).parents[2] / "traces"
PLAN, HEALTHY = TRACES / "quernholt.toml", TRACES / "quernholt-healthy.log.gz"


def run(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "canlens", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, encoding="utf-8", check=False)


def test_a_page_on_standard_output_is_alone_there(tmp_path: Path) -> None:
    done = run("check", str(PLAN), str(HEALTHY), "--html", "-", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("<!doctype html>")
    assert done.stdout.rstrip().endswith("</html>")


def test_a_page_in_a_file_stands_beside_the_text_and_is_replaced_whole(tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    page.write_text("an older page", "utf-8")
    done = run("check", str(PLAN), str(HEALTHY), "--html", "report.html", folder=tmp_path)
    assert done.returncode == 0
    assert "Wrote report.html." in done.stderr
    assert done.stdout.startswith("PROVEN –")
    assert page.read_text("utf-8").startswith("<!doctype html>")
    assert [each.name for each in tmp_path.iterdir()] == ["report.html"]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("check", "plan.toml", "job.log", "--html", "job.log"), "would overwrite a file that is read"),
        (("check", "plan.toml", "job.log", "--html", "plan.toml"), "would overwrite a file that is read"),
        (("check", "plan.toml", "job.log", "--html", "-", "--json", "-"), "need a file each"),
        (("survey", "job.log", "--html", "job.log"), "would overwrite a file that is read"),
        (("survey", "job.log", "--html", "x", "--save-baseline", "x"), "need a file each"),
        (("compare", "job.log", "job.log", "--html", "job.log"), "would overwrite a file that is read"),
    ],
)
def test_a_page_never_takes_the_place_of_something_else(tmp_path: Path, arguments: tuple[str, ...], told: str) -> None:
    for name in ("plan.toml", "job.log"):
        (tmp_path / name).write_text("kept", "utf-8")
    done = run(*arguments, folder=tmp_path)
    assert done.returncode == 2
    assert told in done.stderr
    assert (tmp_path / "job.log").read_text("utf-8") == "kept"
    assert (tmp_path / "plan.toml").read_text("utf-8") == "kept"
