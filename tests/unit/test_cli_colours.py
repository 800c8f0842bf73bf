from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import canlens
from canlens.cli.streams import coloured, wants_colour
from canlens.reports.text import check_text
from tests.unit import sample_results as sample

if TYPE_CHECKING:
    from canlens.results.check import CheckResult

ROOT = Path(canlens.__file__).parents[1]


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("environment", "wanted"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "NO_COLOR": ""}, True),  # no-color.org: only when it is not empty
        ({"TERM": "xterm", "NO_COLOR": "1"}, False),
        ({"TERM": "dumb"}, False),
        ({}, False),
    ],
)
def test_a_screen_gets_colours_unless_somebody_asked_for_none(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], *, wanted: bool
) -> None:
    for name in ("TERM", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert wants_colour(Screen()) is wanted
    assert not wants_colour(io.StringIO())


@pytest.mark.parametrize("result", [sample.FAILED, sample.PROVEN, sample.NOT_PROVEN])
def test_colour_adds_to_the_text_and_changes_nothing_in_it(result: CheckResult) -> None:
    lines = check_text(result).split("\n")
    shown = coloured(lines)
    assert shown != lines
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in shown] == lines
    assert all(line.count("\x1b[0m") * 2 == line.count("\x1b") for line in shown)  # each is ended where it began


@pytest.mark.skipif(os.name == "nt", reason="pseudo terminals are of another kind there")
@pytest.mark.parametrize("no_color", ["", "1"])
def test_a_terminal_shows_a_coloured_verdict_and_a_pipe_a_plain_one(no_color: str) -> None:
    import pty  # noqa: PLC0415 – not on every system

    ours, theirs = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "NO_COLOR": no_color, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", "from canlens.cli.streams import say; say('FAILED \\u2013 one.\\n')"]
    subprocess.run(command, stdout=theirs, env={**environment, "PYTHONIOENCODING": "utf-8"}, check=True)
    os.close(theirs)
    text = os.read(ours, 1000).decode()
    os.close(ours)
    assert ("\x1b[1;31mFAILED\x1b[0m" in text) is (no_color == "")
    piped = subprocess.run(command, capture_output=True, env={**environment, "PYTHONIOENCODING": "utf-8"}, check=True)
    assert b"\x1b" not in piped.stdout
