"""Several databases in one plan: as one, or one for each channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.errors import PlanError
from canlens.measures.gathering import evidence
from canlens.plan import Plan, read_plan
from tests.recordings import Frame, recording

if TYPE_CHECKING:
    from pathlib import Path

BODY = 'VERSION ""\n\nBS_:\n\nBU_: A\n\nBO_ 291 {name}: 1 A\n SG_ On : {start}|1@1+ (1,0) [0|1] "" A\n'
PLAN = """[bus]
database = {database}
match_pgn = true
[controls.horn]
signal = "Front.On"
[outputs.siren]
command = "Rear.On"
when = "horn"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "front.dbc").write_text(BODY.format(name="Front", start=0), encoding="utf-8")
    (tmp_path / "rear.dbc").write_text(BODY.format(name="Rear", start=4), encoding="utf-8")
    return tmp_path


def plan_with(folder: Path, database: str) -> Plan:
    file = folder / "plan.toml"
    file.write_text(PLAN.format(database=database), encoding="utf-8")
    return read_plan(file)


def test_one_identifier_means_another_message_on_each_channel(folder: Path) -> None:
    plan = plan_with(folder, '{can0 = "front.dbc", can1 = ["rear.dbc"]}')
    assert plan.bus.match_pgn
    frames = [Frame(bytes([row % 2 if row % 3 else 16]), channel=f"can{row % 2}") for row in range(60)]
    found = evidence(plan, recording(frames))
    assert found.missing_messages == ()
    assert found.controls["horn"].track.rows_s[1] == pytest.approx(0.002)
    definitions = found.bus_evidence.definitions
    assert (definitions.messages, definitions.unseen, definitions.unlisted) == (2, (), ())


def test_a_message_on_the_other_channel_is_missing(folder: Path) -> None:
    plan = plan_with(folder, '{can0 = "front.dbc", can1 = "rear.dbc"}')
    found = evidence(plan, recording([Frame(b"\1"), Frame(b"\0")] * 9))
    assert found.missing_messages == ("Rear",)


def test_a_channel_without_its_file_is_a_mistake(folder: Path) -> None:
    with pytest.raises(PlanError, match=r"front\.dbc"):
        plan_with(folder, '{can0 = "frnt.dbc"}')


def test_as_one_database_the_first_definition_counts(folder: Path) -> None:
    with pytest.raises(PlanError, match=r"Rear\.On"):
        plan_with(folder, '["front.dbc", "rear.dbc"]')
