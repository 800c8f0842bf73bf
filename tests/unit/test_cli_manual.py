from __future__ import annotations

import sys
from dataclasses import dataclass

import pytest

from canlens import causes, checks
from canlens.cli import main
from canlens.reports.reference_text import manual_text


@dataclass(frozen=True)
class Entry:
    """Stands for a check or a cause: what the manual needs of one."""

    name: str
    manual: str


CHECKS = (
    Entry(
        "unanswered-control",
        "unanswered-control: a control went on and its output did not follow.\n\nLooks for\n",
    ),
    Entry("always-on", "always-on: an output is on from the first row to the last.\n"),
)
CAUSES = (Entry("load-open", "load-open: [bold]no current[/] although the output is on.\n\nNext test\n    Measure.\n"),)


@pytest.fixture(autouse=True)
def catalogue(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checks, "ALL", CHECKS, raising=False)
    monkeypatch.setattr(causes, "ALL", CAUSES, raising=False)


def _run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr(sys, "argv", ["canlens", "explain", *arguments])
    with pytest.raises(SystemExit) as leaving:
        main()
    assert isinstance(leaving.value.code, int)
    return leaving.value.code


def test_the_page_of_a_cause_is_printed_with_its_brackets(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(monkeypatch, "load-open") == 0
    assert capsys.readouterr().out == (
        "load-open: [bold]no current[/] although the output is on.\n\nNext test\n    Measure.\n"
    )


def test_a_name_of_both_a_check_and_a_cause_prints_both_pages(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(causes, "ALL", (Entry("always-on", "always-on: welded contacts.\n"),))
    assert _run(monkeypatch, "always-on") == 0
    assert capsys.readouterr().out == (
        "As a check\n\nalways-on: an output is on from the first row to the last.\n"
        "\nAs a cause\n\nalways-on: welded contacts.\n"
    )


def test_without_a_name_the_list_stands_in_report_order(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(monkeypatch) == 0
    lines = capsys.readouterr().out.splitlines()
    starts = [line.split()[0] for line in lines if line.startswith("  ") and not line.startswith("   ")]
    assert max(map(len, lines)) <= 80
    assert starts == ["unanswered-control", "always-on", "load-open"]
    assert "a control went on and its output did not follow." in lines[1]


def test_a_page_is_wrapped_anew_under_its_headings() -> None:
    manual = "x: y.\n\nLooks for\n    " + "word " * 20 + "\n    more\nNext step\n    Measure.\n"
    lines = manual_text(manual).splitlines()
    assert lines[:3] == ["x: y.", "", "Looks for"]
    assert lines[3] == "    " + " ".join(["word"] * 15)
    assert lines[4] == "    word word word word word more"
    assert lines[5:] == ["", "Next step", "    Measure."]


def test_an_unknown_name_gives_close_names_and_exit_code_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(monkeypatch, "unanswerd-control") == 2
    written = capsys.readouterr()
    assert written.out == ""
    assert "there is no check or cause of this name. Close names: unanswered-control." in written.err


def test_a_name_like_no_other_points_to_the_list(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run(monkeypatch, "zzz") == 2
    assert 'The list: "canlens explain".' in capsys.readouterr().err
