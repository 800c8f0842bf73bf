"""The README's tour does what it says: its commands run, and print what stands below them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
TOUR = README.partition("## Five minutes")[2].partition("\n## ")[0]
EXIT_CODES = {"two-faults": 1}
"""Commands that end otherwise than with 0: a failed job is what the tour wants to show."""


class Block(NamedTuple):
    language: str
    text: str


def blocks(text: str) -> list[Block]:
    return [Block(*found) for found in re.findall(r"^```(\w+)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)]


def run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "PYTHONIOENCODING": "utf-8"}
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, encoding="utf-8", check=False
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the demo in a fresh folder, as the README tells a newcomer to."""
    made = tmp_path_factory.mktemp("tour")
    done = run([sys.executable, "-m", "canlens", "demo"], made)
    assert done.returncode == 0, done.stderr
    return made


def test_every_command_of_the_tour_prints_what_stands_below_it(folder: Path) -> None:
    printed = ""
    seen = {"sh": 0, "text": 0, "python": 0}
    for block in blocks(TOUR):
        seen[block.language] += 1
        if block.language == "sh":
            command = block.text.strip().replace("canlens ", f"{sys.executable} -m canlens ", 1)
            done = run(["bash", "-c", command], folder)
            expected = next((code for word, code in EXIT_CODES.items() if word in command), 0)
            assert done.returncode == expected, done.stderr
            printed = done.stdout
        elif block.language == "python":
            assert run([sys.executable, "-c", block.text], folder).returncode == 0
        else:
            assert block.text in printed
    assert seen["sh"] >= 4
    assert seen["text"] >= 3
    assert seen["python"] == 1


def test_the_plan_in_the_readme_is_complete(tmp_path: Path) -> None:
    from canlens import read_plan  # noqa: PLC0415

    plan = next(block.text for block in blocks(README) if block.language == "toml")
    (tmp_path / "plan.toml").write_text(plan, "utf-8")
    (tmp_path / "yard_tug.dbc").write_text(
        'VERSION ""\nBU_: Tug Box\n'
        'BO_ 256 Column: 1 Tug\n SG_ HornButton : 0|1@1+ (1,0) [0|1] "" Box\n'
        'BO_ 512 BoxState: 1 Box\n SG_ Out1On : 0|1@1+ (1,0) [0|1] "" Tug\n',
        "utf-8",
    )
    assert list(read_plan(str(tmp_path / "plan.toml")).outputs) == ["siren"]


def test_the_two_set_up_commands_are_one_line_each() -> None:
    commands = [block.text for block in blocks(README.partition("## Try it")[2].partition("\n## ")[0])]
    assert len(commands) == 2
    assert all(command.count("\n") == 1 for command in commands)
    assert "canlens demo" in commands[0]
    assert commands[1].rstrip().endswith("pytest")


def test_ci_runs_the_test_command_of_the_readme() -> None:
    command = blocks(README.partition("## Try it")[2])[1].text.strip()
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    pattern = re.search(r"grep -m1 -E '([^']+)'", script)
    assert pattern is not None
    found = [line for line in README.splitlines() if re.match(pattern.group(1), line)]
    assert found == [command]
