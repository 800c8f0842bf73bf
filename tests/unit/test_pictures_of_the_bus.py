"""Pictures of latencies, of a surveyed bus, and of a comparison."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens.comparison import compare
from canlens.measures.picturing.comparisons import interval_rows
from canlens.overview import survey
from canlens.reports.pictures import check_pictures, comparison_pictures, survey_pictures
from tests.unit.error_logs import with_records
from tests.unit.picture_parts import figure_of, hovering, one_hovering, unpacked
from tests.unit.small_buses import Sent, bus, others
from tests.unit.small_jobs import job, planned, presses

PRESSES = presses(5)
"""Of which the siren answers four, one of them late."""
SIREN = [(2.1, 3.0), (5.06, 6.0), (8.9, 9.4), (11.2, 12.0)]


def test_latencies_are_those_measured_with_what_is_allowed_beside_them() -> None:
    one = job({"horn": PRESSES}, {"siren": planned("horn", SIREN)}, end_s=18)
    picture = check_pictures(one.checkup.result, one.checkup.drawn())[1]
    answers = one.evidence.outputs["siren"].answers
    assert unpacked(one_hovering(picture, "one answer")["x"]).tolist() == (np.sort(answers.latency_s) * 1000).tolist()
    assert unpacked(one_hovering(picture, "late answer")["x"]).tolist() == (answers.late_s * 1000).tolist()
    assert one_hovering(picture, "allowed")["x"] == [300.0, 300.0]
    number = unpacked(one_hovering(picture, "answers near")["customdata"])
    assert number[1:-1:2].sum() == len(answers.latency_s) + len(answers.late_s) == 4
    assert "4 answers" in picture.alternative
    assert "1 late, 1 without answer, allowed 300 ms" in picture.alternative


def test_an_output_that_was_never_asked_has_no_latencies() -> None:
    one = job({"horn": []}, {"siren": planned("horn", [])}, end_s=8)
    assert [each.name for each in check_pictures(one.checkup.result, one.checkup.drawn())] == ["time-line"]


def _surveyed() -> tuple[Sent, ...]:
    return (Sent("Steady", 0x100, 0.05, declared_s=0.05), *others())


def test_intervals_stand_against_the_declared_cycle_time() -> None:
    made = bus(*_surveyed(), end_s=20)
    surveyed = survey(made.trace, made.plan.database, bit_rate=500_000)
    pictures = survey_pictures(surveyed.drawn(made.trace))
    assert [each.name for each in pictures] == ["load", "intervals"]
    rows = interval_rows(surveyed.evidence.bus_evidence.intervals)
    assert unpacked(one_hovering(pictures[1], "<extra>median")["x"]).tolist() == [row.times.median for row in rows]
    declared = [row.declared_s for row in rows if row.declared_s is not None]
    assert declared
    assert unpacked(one_hovering(pictures[1], "<extra>declared")["x"]).tolist() == declared
    steady = next(row for row in rows if row.name == "Steady")
    assert steady.times.median == pytest.approx(0.05, rel=0.01)
    assert "Steady" in pictures[1].alternative


def test_of_many_messages_those_off_their_cycle_are_drawn_and_the_rest_is_counted() -> None:
    made = bus(*_surveyed(), end_s=20)
    every = survey(made.trace, made.plan.database, bit_rate=500_000).evidence.bus_evidence.intervals
    name = every[-1].name
    assert every[-1].message is not None
    off = replace(every[-1], message=replace(every[-1].message, cycle_time_s=5.0))
    (row,) = interval_rows((*every[:-1], off), most=1)
    assert row.name == name
    assert row.off_by > 0.5


def test_a_survey_without_the_recording_shows_the_intervals() -> None:
    made = bus(*_surveyed(), end_s=20)
    surveyed = survey(made.trace, made.plan.database, bit_rate=500_000)
    assert [each.name for each in survey_pictures(surveyed.drawn())] == ["intervals"]


def test_before_and_after_stand_side_by_side_on_one_scale() -> None:
    first = bus(Sent("Steady", 0x100, 0.05, declared_s=0.05), *others(), end_s=60)
    second = bus(Sent("Steady", 0x100, 0.065, declared_s=0.05), *others(), end_s=60)
    after = with_records(second.trace, [(30.0, 0x88, "00" * 8)])
    comparison = compare(first.trace, after, database=first.plan.database)
    assert "interval" in {each.change for each in comparison.result.changes}
    (picture,) = comparison_pictures(comparison.drawn())
    before, later = hovering(picture, "Steady interval")
    assert (before["xaxis"], later["xaxis"]) == ("x", "x2")
    assert unpacked(before["y"]) == pytest.approx(50.0, rel=0.01)
    assert unpacked(later["y"]) == pytest.approx(65.0, rel=0.01)
    layout = figure_of(picture)["layout"]
    own, other = (f"yaxis{each['yaxis'][1:]}" for each in (before, later))
    assert layout[own]["range"] == layout[other]["range"]
    assert layout[other]["matches"] == before["yaxis"]
    assert "BEFORE" in str(layout["annotations"])
    assert "Steady, interval: before 50" in picture.alternative


def test_error_episodes_of_both_halves_are_counted_and_an_empty_half_says_so() -> None:
    first = bus(*others(), end_s=60)
    after = with_records(first.trace, [(30.0, 0x88, "00" * 8), (31.0, 0x88, "00" * 8)])
    comparison = compare(first.trace, after, database=first.plan.database)
    drawn = comparison.drawn()
    ((before, later),) = drawn.channels
    assert before.episodes.tolist() == []
    assert later.episodes.sum() == 2
    (picture,) = comparison_pictures(comparison.drawn())
    assert any("none" in each["text"] for each in figure_of(picture)["layout"]["annotations"])
    assert "2 error episodes" in picture.alternative
