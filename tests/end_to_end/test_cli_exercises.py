"""``canlens exercises``, as a person runs it, and what a recording made from its sheet is worth."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

import canlens
from canlens.plan import Mark, Marks
from canlens.plan.nouns import REST
from canlens.prompting import Session, draw_free_session, draw_planned_session
from canlens.rehearsal.draws import Draws
from canlens.rehearsal.person import Operation, Schedule
from canlens.rehearsal.rehearsals import healthy_install, rehearse_install
from canlens.reports.layout import display_width
from tests.drawn import draw_install
from tests.end_to_end.test_cli_check import PLAN, canlens_command

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.plan import Plan
    from canlens.trace import Trace

FILES = {"exercises.txt", "exercises.html", "recorder.txt", "marks-planned.csv"}
HAND_S = 0.3
"""How far off a prompted hand is, either way [s]."""


def test_named_controls_give_a_sheet_a_page_a_recorder_sheet_and_marks(tmp_path: Path) -> None:
    words = ("exercises", "--controls", "horn,brake_front", "--slots", "24", "--seed", "7", "--out", "job")
    done = canlens_command(*words, folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, b"")
    folder = tmp_path / "job"
    assert {path.name for path in folder.iterdir()} == FILES
    text = done.stdout.decode()
    assert text.startswith((folder / "exercises.txt").read_text("utf-8"))
    assert "canlens discover recording.log --marks marks.csv" in text
    for name in FILES - {"exercises.html"}:
        assert max(map(display_width, (folder / name).read_text("utf-8").splitlines())) <= 80, name
    marks = canlens.read_marks(folder / "marks-planned.csv")
    labels = [mark.label for mark in marks]
    assert sorted(labels) == sorted(8 * ["horn", "brake_front", REST])
    rows = re.findall(r"^\d+ +(\d+):(\d\d) +(\S+)(?: on, then off|: touch nothing)", text, re.MULTILINE)
    assert [row[2].strip() for row in rows] == labels
    for (minutes, seconds, _), mark in zip(rows, marks, strict=True):
        assert abs(60 * int(minutes) + int(seconds) - mark.time_s) <= 0.5


def test_the_same_seed_gives_the_same_files(tmp_path: Path) -> None:
    for folder, seed in (("a", "7"), ("b", "7"), ("c", "8")):
        words = ("exercises", "--controls", "horn", "--seed", seed, "--out", folder)
        assert canlens_command(*words, folder=tmp_path).returncode == 0
    for name in FILES:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    planned = [(tmp_path / folder / "marks-planned.csv").read_bytes() for folder in "ac"]
    assert planned[0] != planned[1]


def test_a_control_that_looks_like_the_ignition_is_asked_about(tmp_path: Path) -> None:
    done = canlens_command("exercises", "--controls", "horn,ignition", folder=tmp_path)
    assert "make the sheet with --awake-while ignition" in " ".join(done.stdout.decode().split())
    again = canlens_command(
        "exercises", "--controls", "horn,ignition", "--awake-while", "ignition", "--force", folder=tmp_path
    )
    text = " ".join(again.stdout.decode().split())
    assert "To find its own, make another sheet without --awake-while." in text
    assert text.count("makes the chance of an error exact") == 1


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    (tmp_path / "exercises.html").write_text("mine", "utf-8")
    words = ("exercises", "--controls", "horn", "--out", str(tmp_path))
    refused = canlens_command(*words)
    assert refused.returncode == 2
    assert b"exercises.html: is there already" in refused.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["exercises.html"]
    assert canlens_command(*words, "--force").returncode == 0
    assert (tmp_path / "exercises.html").read_text("utf-8") != "mine"


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "Expected a plan, or names of controls"),
        ((PLAN, "--controls", "horn"), "Expected a plan, or names of controls"),
        (("--controls", "horn,,"), None),
        (("--controls", ","), "expected names with commas between them"),
        (("--controls", "horn,brake front"), "found 'brake front'"),
        (("--controls", "horn,Rest"), "'Rest' has a meaning of its own"),
        (("--controls", "horn,horn"), "'horn' stands there twice"),
        (("--controls", "horn,brake", "--slots", "12"), "--slots 12: too few for 2 controls. Expected at least 23"),
        (("--controls", "horn", "--slots", "-1"), "--slots -1: too few"),
        (("--controls", "horn,key", "--awake-while", "ky"), "expected one of the controls, key"),
        (("--controls", "key", "--awake-while", "key"), "expected another control beside it"),
        (("--controls", "horn", "--seed", "-1"), "--seed -1"),
        (("--controls", "horn", "--chance", "1"), "--chance 1"),
        (("--controls", "horn", "--bits", "0"), "--bits 0"),
        ((PLAN, "--awake-while", "ignition"), "the plan says it itself"),
        ((PLAN, "--slots", "6"), "--slots 6: too few for 5 controls"),
        (("nowhere.toml",), "nowhere.toml: expected the plan"),
        (("-",), "the plan must be a file"),
    ],
)
def test_wrong_usage_is_a_sentence(words: tuple[str, ...], sentence: str | None, tmp_path: Path) -> None:
    done = canlens_command("exercises", *words, folder=tmp_path)
    assert b"Traceback" not in done.stderr
    if sentence is None:
        assert done.returncode == 0
        return
    assert done.returncode == 2
    assert sentence in " ".join(done.stderr.decode().split())
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").touch()
    done = canlens_command("exercises", "--controls", "horn", "--out", str(tmp_path / "taken"))
    assert done.returncode == 2
    assert b"expected a folder, found a file" in done.stderr


def recorded(plan: Plan, session: Session, seed: int, *, always: str | None = None) -> Trace:
    """Return the recording of a healthy install whose person did as told, but for the slips of a hand."""
    draws = Draws(seed, "hand")
    operations = [
        Operation(mark.label, mark.time_s + draws.uniform(-HAND_S, HAND_S), mark.until_s + draws.uniform(0.0, HAND_S))
        for mark in session.marks
        if mark.label != REST and mark.until_s is not None
    ]
    if always is not None:
        operations.append(Operation(always, 0.5, session.duration_s - 0.5))
    operations.sort(key=lambda one: one.start_s)
    last_s = session.duration_s
    if plan.bus.quiet_after_s is not None and always is None:
        last_s = max(one.end_s for one in operations) + 0.8 * plan.bus.quiet_after_s
    is_asleep = last_s < session.duration_s
    schedule = Schedule(
        tuple(operations), (), ((0.0, last_s),), session.duration_s, is_asleep_at_end=is_asleep, spare_s=1.0
    )
    install = healthy_install(plan, schedule, bus_load=0.25, draws=Draws(seed, "foreign messages"))
    return rehearse_install(install, [], seed=seed)[0].trace


def noted(session: Session, *, lead_s: float = 0.0) -> Marks:
    """Return the marks that the page would save; the recorder was started ``lead_s`` before Start was pressed."""
    marks = [
        Mark(mark.time_s - lead_s, mark.label, None if mark.until_s is None else mark.until_s - lead_s)
        for mark in session.marks
    ]
    return Marks("marks.csv", tuple(marks))


@pytest.mark.parametrize(("seed", "lead_s"), [(1, 0.0), (2, 12.3)])
def test_a_healthy_install_is_proven_by_a_recording_made_from_the_sheet(seed: int, lead_s: float) -> None:
    plan = canlens.read_plan(PLAN)
    session = draw_planned_session(plan, seed=seed)
    checkup = canlens.check(plan, recorded(plan, session, seed), marks=noted(session, lead_s=lead_s))
    assert {
        name: (row.verdict, row.reason) for name, row in checkup.result.outputs.items() if row.verdict != "proven"
    } == {}
    assert checkup.verdict == "proven"


@pytest.mark.parametrize("seed", [3, 5, 11, 14])
def test_the_sheet_of_an_install_that_nobody_has_seen_proves_it_too(seed: int) -> None:
    plan = draw_install(seed).plan
    session = draw_planned_session(plan, seed=seed)
    checkup = canlens.check(plan, recorded(plan, session, seed), marks=noted(session))
    assert {
        name: (row.verdict, row.reason) for name, row in checkup.result.outputs.items() if row.verdict != "proven"
    } == {}


@pytest.mark.parametrize(("state", "lead_s"), [(None, 0.0), (None, 12.3), ("ignition", 0.0)])
def test_a_recording_made_from_the_slots_names_the_bits_of_the_controls(state: str | None, lead_s: float) -> None:
    plan = canlens.read_plan(PLAN)
    names = ["horn", "brake_front", "beacon_key", *([state] if state else [])]
    session = draw_free_session(names, seed=4, awake_while=state)
    always = None if state else "ignition"
    found = canlens.discover(recorded(plan, session, 4, always=always), noted(session, lead_s=lead_s))
    for name in ("horn", "brake_front", "beacon_key"):
        row = found.result.controls[name]
        reference = plan.controls[name].condition.reference
        best = [row.candidates[0], *row.candidates[0].mirrors]
        assert row.named, row.reason
        assert row.candidates[0].chance <= session.wished_chance
        assert f"0x{reference.message.identifier:x}" in {place.identifier for place in best}
