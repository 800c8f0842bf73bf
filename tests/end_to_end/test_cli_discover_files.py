"""What ``canlens discover`` writes beside its answer, and ``canlens plan`` of a bare database."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cantools
import pytest

import canlens
from canlens.database import Database, Message, SignalDefinition
from canlens.plan import read_plan
from canlens.prompting import draw_free_session, planned_marks_text
from canlens.rehearsal import candump_text
from canlens.writing import bare_plan_text
from tests.end_to_end.test_cli_check import PLAN, ROOT, canlens_command
from tests.end_to_end.test_cli_exercises import recorded

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.plan import Plan

NAMES = ("horn", "brake_front", "beacon_key")
DATABASE = str(ROOT / "dbc_examples" / "quernholt.dbc")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a recording made from the sheet of three controls, and its marks."""
    folder = tmp_path_factory.mktemp("found")
    session = draw_free_session(NAMES, seed=9)
    trace = recorded(canlens.read_plan(PLAN), session, 9, always="ignition")
    (folder / "recording.log").write_text(candump_text(trace), "utf-8")
    (folder / "marks.csv").write_text(planned_marks_text(session), "utf-8")
    return folder


def test_the_whole_way_from_a_sheet_to_a_plan_that_checks(job: Path) -> None:
    words = ("discover", "recording.log", "--marks", "marks.csv")
    files = ("--write-dbc", "found.dbc", "--write-plan", "found.toml", "--html", "found.html")
    done = canlens_command(*words, *files, folder=job)
    assert done.returncode == 0, done.stderr
    for name in ("found.dbc", "found.toml", "found.html"):
        assert f"Wrote {name}." in done.stderr.decode()
    theirs = cantools.database.can.Database()
    theirs.add_dbc_file(str(job / "found.dbc"))
    assert {signal.name for message in theirs.messages for signal in message.signals} >= set(NAMES)
    plan = canlens.read_plan(job / "found.toml")
    assert set(plan.controls) == set(NAMES)
    checked = canlens_command("check", "found.toml", "recording.log", "--marks", "marks.csv", folder=job)
    assert checked.returncode == 3, checked.stderr
    checkup = canlens.check(plan, canlens.read_trace(job / "recording.log"))
    exercises = {name: row.exercises for name, row in checkup.result.controls.items()}
    assert exercises == dict.fromkeys(NAMES, draw_free_session(NAMES, seed=9).tallies[0].exercises)


def test_what_the_database_knows_is_used_and_not_written(job: Path) -> None:
    words = ("discover", "recording.log", "--marks", "marks.csv", "--dbc", DATABASE)
    done = canlens_command(*words, "--write-plan", "known.toml", folder=job)
    assert done.returncode == 0, done.stderr
    plan = canlens.read_plan(job / "known.toml")
    assert plan.controls["horn"].condition.reference.path == "GripSwitches.Horn"


def test_files_that_are_named_are_replaced_whole_but_never_what_is_read(job: Path, tmp_path: Path) -> None:
    words = ("discover", str(job / "recording.log"), "--marks", str(job / "marks.csv"))
    target = tmp_path / "found.dbc"
    target.write_text("x" * 100_000, "utf-8")
    assert canlens_command(*words, "--write-dbc", str(target)).returncode == 0
    assert target.read_text("utf-8").startswith('VERSION ""')
    before = (job / "marks.csv").read_bytes()
    refused = canlens_command(*words, "--write-dbc", str(job / "marks.csv"))
    assert (refused.returncode, refused.stdout) == (2, b"")
    assert b"is used for something else already" in refused.stderr
    assert (job / "marks.csv").read_bytes() == before
    twice = canlens_command(*words, "--write-dbc", "a", "--write-plan", "a", folder=tmp_path)
    assert twice.returncode == 2
    alone = canlens_command(*words, "--write-plan", "p.toml", folder=tmp_path)
    assert alone.returncode == 2
    assert b"needs --write-dbc as well" in alone.stderr
    assert b"Traceback" not in alone.stderr
    assert canlens_command(*words, "--write-dbc", "-").returncode == 2


def test_a_discovery_that_names_nothing_writes_nothing(job: Path, tmp_path: Path) -> None:
    marks = tmp_path / "marks.csv"
    marks.write_text("time_s,label,until_s\n20,horn,21\n", "utf-8")
    words = ("discover", str(job / "recording.log"), "--marks", str(marks), "--write-dbc", "f.dbc")
    done = canlens_command(*words, folder=tmp_path)
    assert done.returncode == 3
    assert b"Nothing was named" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["marks.csv"]


def test_a_first_plan_of_a_bare_database_can_be_read(tmp_path: Path) -> None:
    done = canlens_command("plan", DATABASE, "--node", "Hutbox", "--write-plan", str(tmp_path / "first.toml"))
    assert (done.returncode, done.stdout) == (0, b"")
    plan = canlens.read_plan(tmp_path / "first.toml")
    assert {"Horn", "FrontLever", "BeaconKey"} <= set(plan.controls)
    assert plan.controls["Horn"].condition.unknown == (2, 3)
    assert plan.controller.node == "Hutbox"
    text = (tmp_path / "first.toml").read_text("utf-8")
    assert '# command = "HutboxState.Out1On"' in text
    shown = canlens_command("plan", DATABASE)
    assert shown.stdout.startswith(b"# A first plan")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("nowhere.dbc",), "nowhere.dbc: expected a database"),
        (("-",), "the database must be a file"),
        ((DATABASE, "--node", "Hutbix"), "--node Hutbix: expected a node of"),
        ((DATABASE, "--write-plan", DATABASE), "would overwrite a file that is read"),
    ],
)
def test_wrong_usage_of_plan_is_a_sentence(words: tuple[str, ...], sentence: str, tmp_path: Path) -> None:
    done = canlens_command("plan", *words, folder=tmp_path)
    assert done.returncode == 2
    assert sentence in " ".join(done.stderr.decode().split())
    assert b"Traceback" not in done.stderr


def read(folder: Path, database: Database, text: str) -> Plan:
    """Read a plan whose database is given."""
    (folder / "any.dbc").write_text("stands for a database", "utf-8")
    (folder / "plan.toml").write_text(text, "utf-8")
    return read_plan(folder / "plan.toml", read_database=lambda _: database)


def test_names_that_no_plan_can_bear_are_changed(tmp_path: Path) -> None:
    signals = tuple(
        SignalDefinition(name, number, 1, table={0: 'say "no"\n', 1: "Grün \\ on"})
        for number, name in enumerate(("and", "rest", "Höhe horn", "horn", "Horn"))
    )
    messages = (Message("A B", 1, is_extended=False, length=1, signals=signals),
                Message("C", 2, is_extended=False, length=1, signals=signals))  # fmt: skip
    database = Database(messages, nodes=('Box "1"',))
    text = bare_plan_text(database, path="any.dbc", node='Box "1"', title='A "title"\\')
    plan = read(tmp_path, database, text)
    assert len(plan.controls) == 6
    assert plan.title == 'A "title"\\'


def test_a_database_without_a_switch_is_told() -> None:
    wide = SignalDefinition("Speed", 0, 16)
    database = Database((Message("M", 1, is_extended=False, length=2, signals=(wide,)),))
    with pytest.raises(canlens.errors.UsageError, match="no signal in it looks like a switch"):
        bare_plan_text(database, path="any.dbc", node=None, title="")
