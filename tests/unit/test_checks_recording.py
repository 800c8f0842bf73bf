"""Cases of the checks on the recording, its messages and controls, and on what was not tested."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canlens.database import DatabaseProblem
from canlens.trace import Kind, Problem
from tests.unit.check_cases import HORN, Cases, healthy
from tests.unit.small_jobs import (
    answering,
    job,
    operated,
    planned,
    presses,
    wave,
    without_frames,
    without_message,
)

if TYPE_CHECKING:
    from tests.unit.small_jobs import Job


def only_errors() -> Job:
    """Return a job whose recording holds error frames only."""
    one = healthy()
    return replace(one, trace=replace(one.trace, kind=np.full(len(one.trace), Kind.ERROR, np.uint8)))


def one_frame() -> Job:
    one = healthy()
    return replace(one, trace=one.trace.where(slice(0, 1)))


def spoilt(lines: int, *, frames: int = 99) -> Job:
    """Return a job with so many frames and unusable lines."""
    one = healthy()
    problems = tuple(Problem(1000 + row, "(17600", "(time) channel frame") for row in range(lines))
    return replace(one, trace=replace(one.trace.where(slice(0, frames)), problems=problems))


def with_entries(count: int) -> Job:
    """Return a job whose DBC has so many unusable entries."""
    one = healthy()
    problems = tuple(DatabaseProblem(row + 1, "SG_ :", "a signal with a name") for row in range(count))
    return replace(one, plan=replace(one.plan, database=replace(one.plan.database, problems=problems)))


def frames_kept(one: Job, *names: str, first: int = 0) -> Job:
    """Return the job with only the first frames of some messages."""
    messages = [one.plan.database.message(name) for name in names]
    identifiers = [each.identifier for each in messages if each is not None]
    rows = np.flatnonzero(np.isin(one.trace.identifier, identifiers))
    keep = np.ones(len(one.trace), bool)
    keep[rows[first:]] = False
    return replace(one, trace=one.trace.where(keep))


BOX = ("SirenState", "LampState")


def marked(moves: int, *, marks: int = 3) -> Job:
    """Return a job in which the horn is marked so often, and moves so often."""
    horn = HORN[:moves]
    notes = [(start, "horn") for start, _ in HORN[:marks]]
    return job({"horn": horn}, {"siren": planned("horn", answering(horn))}, end_s=12, marks=notes)


def noticed(count: int, *, hold_s: float = 1.0) -> Job:
    """Return a job in which the controller says it noticed so many of three exercises."""
    horn = presses(3, hold_s=hold_s)
    seen = operated(horn, noticed=answering(horn[:count]))
    return job({"horn": seen}, {"siren": planned("horn", answering(horn))}, end_s=12)


def run_on(end_s: float) -> Job:
    """Return a job whose fan runs on for 10 s after 4 s, the recording being so long."""
    fan = planned("horn", wave([(2.1, 14.0)], cycle_s=None), run_on_s=10.0, run_on_tolerance_s=1.0)
    return job({"horn": [(2.0, 4.0)]}, {"fan": fan}, end_s=end_s)


def unseen(*seen: tuple[float, str, bool]) -> Job:
    """Return a job whose siren nothing on the bus shows."""
    return job({"horn": HORN}, {"siren": planned("horn")}, end_s=12, observed=seen)


def restarting(*, off_s: float | None = None, silent_s: float = 0.5) -> Job:
    """Return a job whose controller is away in its last exercise; the siren goes off so long after it returned."""
    horn = presses(3, hold_s=4.0, every_s=6.0)
    away_s = (15.5, 15.5 + silent_s)
    on = answering(horn) if off_s is None else [*answering(horn[:2]), (14.05, away_s[1] + off_s)]
    siren = planned("horn", wave(on, silent=[away_s]))
    return job({"horn": horn}, {"siren": siren}, end_s=24)


def of_another_vehicle(*, but: int = 0) -> Job:
    """Return a job whose recording holds other identifiers than its DBC, but for some of its messages."""
    one = healthy()
    kept = [each.identifier for each in one.plan.database.messages][:but]
    moved = np.where(np.isin(one.trace.identifier, kept), one.trace.identifier, one.trace.identifier + 0x100)
    return replace(one, trace=replace(one.trace, identifier=moved.astype(np.uint32)))


def horn_of(raw: int) -> Job:
    """Return a job whose horn, of sixteen bits, shows a raw value while it is on."""
    horn = operated(wave(HORN, on=raw))
    return job({"horn": horn}, {"siren": planned("horn", answering(HORN))}, end_s=12)


CASES = {
    "no-traffic": Cases(
        fires=lambda: without_frames(healthy()),
        subject=(),
        limit=one_frame,
        little=only_errors,
        little_fires=True,
    ),
    "poor-recording": Cases(
        fires=lambda: spoilt(2),
        subject=(),
        limit=lambda: spoilt(1),
        little=lambda: without_frames(healthy()),
    ),
    "counted-invalid": Cases(
        fires=lambda: horn_of(0xFFFF),
        subject=("horn",),
        messages=frozenset({"Horn"}),
        limit=lambda: horn_of(0xFFFE),
        little=lambda: without_frames(healthy()),
    ),
    "unfitting-plan": Cases(
        fires=of_another_vehicle,
        subject=(),
        limit=lambda: of_another_vehicle(but=1),
        little=lambda: without_frames(healthy()),
    ),
    "missing-message": Cases(
        fires=lambda: without_message(healthy(), "Horn"),
        subject=("Horn",),
        limit=lambda: frames_kept(healthy(), "Horn", first=1),
        little=lambda: without_frames(healthy()),
    ),
    "silent-controller": Cases(
        fires=lambda: frames_kept(healthy(), *BOX),
        subject=("Box",),
        limit=lambda: frames_kept(healthy(), *BOX, first=1),
        little=lambda: without_frames(healthy()),
    ),
    "restarting-controller": Cases(
        fires=lambda: restarting(off_s=0.0),
        subject=("Box", "siren"),
        messages=frozenset({"SirenState"}),
        silent=restarting,
        limit=lambda: restarting(off_s=1.6),
        little=lambda: restarting(off_s=0.0, silent_s=0.05),
    ),
    "unmoved-control": Cases(
        fires=lambda: marked(0),
        subject=("horn",),
        silent=lambda: marked(3),
        limit=lambda: marked(2),
        little=lambda: marked(0, marks=0),
    ),
    "unheard-control": Cases(
        fires=lambda: noticed(0),
        subject=("horn",),
        messages=frozenset({"Horn"}),
        silent=lambda: noticed(3),
        limit=lambda: noticed(1),
        little=lambda: noticed(0, hold_s=0.2),
    ),
    "unread-lines": Cases(
        fires=lambda: spoilt(2),
        subject=(),
        limit=lambda: spoilt(1),
        limit_fires=True,
        little=lambda: without_frames(healthy()),
    ),
    "unused-entry": Cases(
        fires=lambda: with_entries(2),
        subject=(),
        limit=lambda: with_entries(1),
        limit_fires=True,
        little=lambda: with_entries(0),
    ),
    "unexercised-control": Cases(
        fires=lambda: marked(2, marks=0),
        subject=("horn", "siren"),
        messages=frozenset({"Horn"}),
        limit=lambda: marked(3, marks=0),
        little=lambda: without_message(healthy(), "Horn"),
    ),
    "untested-part": Cases(
        fires=lambda: run_on(12),
        subject=("fan",),
        silent=lambda: run_on(20),
        limit=lambda: run_on(14),
        little=lambda: without_message(run_on(12), "FanState"),
    ),
    "unshown-output": Cases(
        fires=unseen,
        subject=("siren",),
        limit=lambda: unseen((2.5, "siren", True)),
        little=lambda: without_message(healthy(), "SirenState"),
    ),
}


def test_unread_lines_name_their_lines_and_count_all() -> None:
    found = spoilt(40, frames=99).findings("unread-lines")[0]
    assert found.evidence.lines == tuple(range(1000, 1020))
    assert "40 lines" in found.claim


def test_each_unusable_entry_of_a_database_is_named() -> None:
    assert len(with_entries(3).findings("unused-entry")) == 3


def test_a_missing_message_names_who_needs_it() -> None:
    found = without_message(healthy(), "Horn").findings("missing-message")[0]
    assert "0x100" in found.claim
    assert "horn" in found.claim


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"cut_after_s": 60.0, "cut_after_tolerance_s": 3.0}, "cut-off after 60 s"),
        ({"flash_when": "brake", "flash_hz": 2.0, "flash_tolerance_hz": 0.4}, "flashing"),
        ({"level_night": 35.0, "night": "brake", "level": wave(answering(HORN), on=100)}, "level by night"),
        ({"level_day": 35.0, "night": "horn", "level": wave(answering(HORN), on=35)}, "level by day"),
    ],
)
def test_every_promised_part_that_was_not_seen_is_named(options: dict[str, Any], words: str) -> None:
    siren = planned("horn", answering(HORN), **options)
    found = job({"horn": HORN, "brake": []}, {"siren": siren}, end_s=12).findings("untested-part")
    assert len(found) == 1
    assert words in found[0].claim
