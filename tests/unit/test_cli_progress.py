"""Progress: shown on a console only, only for long readings, and taken away; the library stays silent."""

from __future__ import annotations

import io
import sys
from typing import TYPE_CHECKING

import pytest

from canlens import read_trace
from canlens.cli import inputs
from canlens.cli.inputs import CLEAR_LINE, read_log
from canlens.errors import LogError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

LINE = b"(1436509052.249713) can0 123#1122334455667788\n"
LONG = LINE * 50_000


class Console(io.StringIO):
    """Standard error that says it is a console."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def log(tmp_path: Path) -> str:
    """Return the name of a recording of more than one block."""
    path = tmp_path / "long.log"
    path.write_bytes(LONG)
    return str(path)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Show progress at once."""
    monkeypatch.setattr(inputs, "PATIENCE_S", 0.0)
    monkeypatch.setattr(inputs, "PAUSE_S", 0.0)


@pytest.mark.usefixtures("impatient")
def test_a_console_shows_how_far_it_is_and_is_left_clean(log: str, monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console()
    monkeypatch.setattr(sys, "stderr", console)
    assert len(read_log(log)) == 50_000
    shown = console.getvalue().split(CLEAR_LINE)
    assert len(shown) > 3
    assert "100 % of 2 MB" in shown[-2]
    assert shown[-1] == ""


@pytest.mark.usefixtures("impatient")
def test_a_console_is_left_clean_after_trouble_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console()
    monkeypatch.setattr(sys, "stderr", console)
    path = tmp_path / "no.log"
    path.write_bytes(b"no recording\n" * 1000)
    with pytest.raises(LogError):
        read_log(str(path))
    assert console.getvalue().endswith(CLEAR_LINE)


@pytest.mark.parametrize(("name", "told"), [("plan.toml", "this is a plan: it comes first"), ("x.dbc", "--dbc")])
def test_a_plan_or_a_database_in_place_of_a_recording_is_told_where_it_belongs(
    tmp_path: Path, name: str, told: str
) -> None:
    path = tmp_path / name
    path.write_bytes(b"no recording\n")
    with pytest.raises(UsageError, match=told):
        read_log(str(path))


@pytest.mark.usefixtures("impatient")
def test_what_is_no_console_stays_empty(log: str, capsys: pytest.CaptureFixture[str]) -> None:
    read_log(log)
    assert capsys.readouterr() == ("", "")


def test_a_short_reading_shows_nothing(log: str, monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console()
    monkeypatch.setattr(sys, "stderr", console)
    monkeypatch.setattr(inputs, "PATIENCE_S", 1e9)
    read_log(log)
    assert console.getvalue() == ""


def test_the_library_tells_a_caller_that_asks_and_knows_the_size_of_a_file(log: str) -> None:
    told: list[tuple[int, int | None]] = []
    trace = read_trace(log, progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (len(LONG), len(LONG))
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    again: list[tuple[int, int | None]] = []
    assert len(read_trace(io.BytesIO(LONG), progress=lambda done, total: again.append((done, total)))) == len(trace)
    assert again[-1] == (len(LONG), None)
