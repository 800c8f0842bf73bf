from __future__ import annotations

import json
from pathlib import Path

import pytest

import canlens
from canlens.errors import UsageError
from canlens.handover import Given, write_handover
from canlens.handover.given import read_sources
from canlens.plan import read_plan
from canlens.whole_files import require_empty

ROOT = Path(canlens.__file__).parents[1]
DBC = (ROOT / "dbc_examples" / "quernholt.dbc").read_bytes()


def _plan(file: Path, *databases: Path) -> str:
    """Write the sample plan with other databases and return its path."""
    text = (ROOT / "traces" / "quernholt.toml").read_text("utf-8")
    names = json.dumps([str(each) for each in databases])
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text.replace('"../dbc_examples/quernholt.dbc"', names), "utf-8")
    for number, each in enumerate(databases):
        each.parent.mkdir(parents=True, exist_ok=True)
        each.write_bytes(DBC if not number else b'VERSION "2"\nBU_: A\n')
    return str(file)


def _targets(plan: str, *, flat: bool = False) -> list[str | None]:
    return [each.copy for each in read_sources(read_plan(plan), Given(plan), (), flat=flat)]


def test_plan_and_database_keep_their_places_to_each_other(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "a" / "plan.toml", tmp_path / "b" / "bus.dbc")
    assert _targets(plan) == ["inputs/a/plan.toml", "inputs/b/bus.dbc"]
    assert _targets(plan, flat=True) == ["inputs/plan.toml", "inputs/bus.dbc"]


def test_files_that_lie_far_apart_go_into_one_folder(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "a" / "b" / "c" / "d" / "plan.toml", tmp_path / "x" / "bus.dbc")
    assert _targets(plan) == ["inputs/plan.toml", "inputs/bus.dbc"]


def test_two_files_of_one_name_both_find_a_place(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "plan.toml", tmp_path / "a" / "bus.dbc", tmp_path / "b" / "BUS.dbc")
    assert _targets(plan, flat=True) == ["inputs/plan.toml", "inputs/bus.dbc", "inputs/database-BUS.dbc"]


def test_a_file_that_is_gone_is_a_sentence(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "plan.toml", tmp_path / "bus.dbc")
    loaded = read_plan(plan)
    with pytest.raises(UsageError, match=r"gone\.csv: cannot be read for the hand-over"):
        read_sources(loaded, Given(plan, marks=str(tmp_path / "gone.csv")), (), flat=False)


def test_a_folder_in_use_is_refused_unless_forced(tmp_path: Path) -> None:
    require_empty(tmp_path / "new", force=False)
    require_empty(tmp_path, force=False)  # empty
    (tmp_path / "x").touch()
    with pytest.raises(UsageError, match="is not empty"):
        require_empty(tmp_path, force=False)
    require_empty(tmp_path, force=True)
    with pytest.raises(UsageError, match="found a file"):
        require_empty(tmp_path / "x", force=True)


def test_the_library_hands_over_without_the_recordings_and_over_a_spoilt_manifest(tmp_path: Path) -> None:
    plan = _plan(tmp_path / "plan.toml", tmp_path / "bus.dbc")
    trace = canlens.read_trace(ROOT / "traces" / "quernholt-two-faults.log.gz")
    checkup = canlens.check(canlens.read_plan(plan), trace)
    folder = tmp_path / "over"
    names = write_handover(checkup, folder, Given(plan))
    assert set(names) == {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    outside = tmp_path / "outside.txt"
    outside.write_text("kept", "utf-8")
    (folder / "manifest.json").write_text(
        json.dumps(
            {"schema": "canlens/handover/1", "files": [7, {"file": "../outside.txt"}, {"file": 3}, {"sha256": "x"}]}
        ),
        "utf-8",
    )
    assert write_handover(checkup, folder, Given(plan), force=True) == names
    assert outside.read_text("utf-8") == "kept"
