"""The time line of a job: what stands in the figure is what was measured."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.checkup import check
from canlens.measures.picturing import drawn_recording
from canlens.plan.nouns import Controller, Mark
from canlens.plan.rule import ON
from canlens.reports.pictures import check_pictures
from canlens.reports.pictures.picture import PITCH, TOP
from canlens.reports.pictures.time_line import MOST_ACROSS
from canlens.trace import Problem
from tests.unit.error_logs import with_records
from tests.unit.picture_parts import figure_of, hovering, one_hovering, unpacked
from tests.unit.small_jobs import Wave, answering, job, planned, presses, wave, without_frames, without_message

if TYPE_CHECKING:
    from canlens.reports.pictures import Picture
    from tests.unit.small_jobs import Job

HORN = [(2.0, 3.0), (5.0, 6.0), (8.0, 9.0), (11.0, 13.0)]
SIREN = [(2.06, 3.05), (4.0, 4.3), (8.9, 9.4), (11.05, 13.05)]
"""Answers the first and the last press, comes on once unasked, misses the second and is late for the third."""


def _job(*, current: Wave | None = None, continuous_a: float | None = None, peak_a: float | None = None) -> Job:
    outputs = {"siren": planned("horn", SIREN, current=current, continuous_a=continuous_a, peak_a=peak_a)}
    return job({"horn": HORN}, outputs, end_s=16, marks=[(2.0, "horn"), (5.1, "horn")])


def _time_line(one: Job) -> Picture:
    return check_pictures(one.checkup.result, one.checkup.drawn([one.trace]))[0]


def test_every_step_of_a_lane_is_drawn_at_its_time_with_its_line_and_its_stamp() -> None:
    one = _job()
    trace = one_hovering(_time_line(one), "<b>control horn</b>")
    track = one.evidence.controls["horn"].track
    time_s, told = unpacked(trace["x"]), unpacked(trace["customdata"]).astype(np.int64)
    assert time_s[:-1].tolist() == track.time_s.tolist()
    assert time_s[-1] == one.evidence.recording.duration_s
    assert told[:-1, 2].tolist() == track.line.tolist()
    stamps_ns = [int(one.trace.time_ns[one.trace.line == line][0]) for line in track.line]
    assert (told[:-1, 0] * 10**9 + told[:-1, 1] * 1000).tolist() == stamps_ns
    high = unpacked(trace["y"])[:-1] == -PITCH + TOP
    assert high.tolist() == (track.state == ON).tolist()
    assert trace["text"] == [*("on" if state == ON else "off" for state in track.state), "end of the recording"]


def test_each_answer_is_joined_to_its_exercise_and_tells_its_latency() -> None:
    one = _job()
    picture, answers = _time_line(one), one.evidence.outputs["siren"].answers
    (joining,) = [each for each in figure_of(picture)["data"] if each.get("name") == "answered in time"]
    ends = unpacked(joining["x"]).reshape(-1, 3)
    assert len(answers.answered) == 2
    assert ends[:, 0].tolist() == answers.answered.time_s.tolist()
    assert ends[:, 1].tolist() == (answers.answered.time_s + answers.latency_s).tolist()
    assert np.isnan(ends[:, 2]).all()
    lane = one_hovering(picture, "<b>output siren</b>")
    told = {text for text in lane["text"] if text.startswith("on, after")}
    assert told == {f"on, after {latency * 1000:.3g} ms" for latency in [*answers.latency_s, *answers.late_s]}


@pytest.mark.parametrize(
    ("words", "outcome"), [("no answer", "unanswered"), ("late answer", "late"), ("came on unasked", "unasked")]
)
def test_what_went_wrong_has_a_sign_of_its_own_and_stands_in_words(words: str, outcome: str) -> None:
    one = _job()
    picture, steps = _time_line(one), getattr(one.evidence.outputs["siren"].answers, outcome)
    sign = one_hovering(picture, f"<b>siren</b>: {words}")
    assert len(steps) == 1
    assert unpacked(sign["x"]).tolist() == steps.time_s.tolist()
    assert unpacked(sign["customdata"])[:, 2].tolist() == steps.line.tolist()
    assert f"{steps.time_s[0]:.3f} s" in picture.alternative
    assert "1 late" in picture.alternative
    assert "1 without answer" in picture.alternative


def test_signs_of_different_outcomes_differ_in_shape() -> None:
    data = figure_of(_time_line(_job()))["data"]
    symbols = [each["marker"]["symbol"] for each in data if each["mode"] == "markers" and each["showlegend"]]
    assert len(set(symbols)) == len(symbols) == 4  # late, no answer, unasked, mark


def test_marks_are_ticks_where_the_person_says_to_have_operated() -> None:
    one = _job()
    marked = one.evidence.controls["horn"].marked
    assert marked is not None
    assert unpacked(one_hovering(_time_line(one), "<b>mark</b>")["x"]).tolist() == marked.tolist()


def test_where_nothing_is_known_the_lane_is_broken_and_not_off() -> None:
    horn = Wave([(2.0, 1), (3.0, 0), (12.0, 1)], silent=[(5.0, 9.0)])
    one = job({"horn": horn}, {"siren": planned("horn", [(2.05, 3.05), (12.05, 14)])}, end_s=14)
    picture = _time_line(one)
    track = one.evidence.controls["horn"].track
    assert -1 in track.state
    trace = one_hovering(picture, "<b>control horn</b>: %{text}")
    assert np.isnan(unpacked(trace["x"])).sum() == 1
    begin, end, _ = unpacked(one_hovering(picture, "<b>control horn</b>: not known")["x"])
    assert begin == track.time_s[track.state == -1][0]
    assert end > 9.0 - 0.1


def test_currents_and_supply_are_drawn_against_their_limits() -> None:
    amps = wave(SIREN, on=65)
    one = _job(current=amps, continuous_a=6.0, peak_a=9.0)
    plan = replace(one.plan, controller=Controller("Box", supply=one.plan.outputs["siren"].current, supply_min_v=3.0))
    one = replace(one, plan=plan)
    picture = _time_line(one)
    assert unpacked(one_hovering(picture, "<b>siren</b>: %{y:.3f} A")["y"]).max() == pytest.approx(6.5)
    assert one_hovering(picture, "continuous limit")["y"] == [6.0, 6.0]
    assert one_hovering(picture, "peak limit")["y"] == [9.0, 9.0]
    assert one_hovering(picture, "minimum")["y"] == [3.0, 3.0]
    assert "Current of siren: at most 6.5 A, limit 6 A continuous, 9 A peak." in picture.alternative


def test_a_limit_far_above_the_current_is_named_and_not_drawn() -> None:
    picture = _time_line(_job(current=wave(SIREN, on=10), continuous_a=40.0))
    assert not hovering(picture, "continuous limit")
    titles = [each["text"] for each in figure_of(picture)["layout"]["annotations"]]
    assert any("limit 40" in text for text in titles)
    assert "not drawn" in picture.caption


def test_a_current_that_stays_away_is_not_drawn_across_the_gap() -> None:
    amps = Wave([(0.0, 50)], silent=[(4.0, 8.0)])
    trace = one_hovering(_time_line(_job(current=amps)), "<b>siren</b>: %{y:.3f} A")
    assert np.isnan(unpacked(trace["y"])).sum() == 1


def test_all_strips_share_one_time_axis() -> None:
    picture = _time_line(_job(current=wave(SIREN, on=65)))
    figure = figure_of(picture)
    assert {each["xaxis"] for each in figure["data"]} == {"x", "x2"}
    assert figure["layout"]["xaxis2"]["matches"] == "x"
    upright = [each for key, each in figure["layout"].items() if key.startswith("yaxis")]
    assert len(upright) == 3  # lanes, current, load
    assert all(each["fixedrange"] for each in upright)
    spans = sorted(tuple(each["domain"]) for each in upright)
    assert all(one[1] < other[0] for one, other in itertools.pairwise(spans))


def test_bus_load_is_drawn_as_measured_and_error_episodes_beside_it() -> None:
    one = _job()
    one = replace(one, trace=with_records(one.trace, [(5.5, 0x88, "00" * 8), (7.5, 0x88, "00" * 8)]))
    picture = _time_line(one)
    episodes = one.evidence.bus_evidence.errors
    assert episodes is not None
    sign = one_hovering(picture, "error episode")
    assert unpacked(sign["x"]).tolist() == episodes.episodes.start_s.tolist()
    assert unpacked(sign["customdata"])[:, 2].tolist() == episodes.episodes.line.tolist()
    load = unpacked(one_hovering(picture, "<b>load</b>")["y"])
    assert one.evidence.bus.bus_load_peak is not None
    assert load.max() == pytest.approx(one.evidence.bus.bus_load_peak * 100, rel=1e-6)
    assert "2 error episodes" in picture.alternative
    assert sign["yaxis"] == "y2"  # next to the lanes that may explain them


def test_errors_that_were_not_recorded_are_not_said_to_be_none() -> None:
    assert "not known to hold errors" in _time_line(_job()).alternative


def test_without_the_recording_the_lanes_are_drawn_alone() -> None:
    checkup = _job(current=wave(SIREN, on=65)).checkup
    picture = check_pictures(checkup.result, checkup.drawn())[0]
    assert hovering(picture, "<b>output siren</b>")
    assert not hovering(picture, " A<br>")


def test_several_recordings_have_a_time_line_each_and_share_the_room() -> None:
    one = _job(current=wave(SIREN, on=65))
    later = replace(one.trace, time_ns=one.trace.time_ns + 3_600_000_000_000)
    checkup = check(one.plan, [one.trace, later])
    pictures = check_pictures(checkup.result, checkup.drawn([one.trace, later]))
    assert [each.name for each in pictures] == ["time-line-1", "time-line-2", "latencies-1", "latencies-2"]
    assert "recording 2" in pictures[1].title


def test_an_empty_recording_and_a_missing_message_are_told_in_words() -> None:
    assert "its message never came" in _time_line(without_message(_job(), "Horn")).alternative
    assert "Time line of 0.000 s." in _time_line(without_frames(_job())).alternative


def test_an_output_that_nothing_shows_has_a_lane_that_says_so() -> None:
    one = job({"horn": HORN}, {"siren": planned("horn")}, end_s=16)
    assert "Output siren: nothing on the bus shows it" in _time_line(one).alternative


def test_many_exercises_are_joined_inside_their_own_lane_and_none_is_left_out() -> None:
    spans = presses(MOST_ACROSS + 10, hold_s=0.5, every_s=1.0)
    one = job({"horn": spans}, {"siren": planned("horn", answering(spans))}, end_s=MOST_ACROSS + 15)
    picture = _time_line(one)
    (joining,) = [each for each in figure_of(picture)["data"] if each.get("name") == "answered in time"]
    assert len(unpacked(joining["x"])) == 3 * len(spans)
    assert unpacked(joining["y"]).max() < -PITCH
    assert "in the output's own lane" in picture.caption


def test_unreadable_lines_and_a_clock_that_starts_anew_are_shaded_where_they_stand() -> None:
    one = _job()
    line = int(one.trace.line[200]) + 1
    trace = replace(
        one.trace, line=one.trace.line + (np.arange(len(one.trace)) > 200), problems=(Problem(line, "?", "!"),)
    )
    segment = (np.arange(len(trace)) > 300).astype(np.int32)
    shades = {each.kind: each for each in drawn_recording(one.evidence, replace(trace, segment=segment)).shades}
    unread, restart = shades["unread-lines"], shades["clock-restart"]
    assert (unread.from_s[0], unread.to_s[0]) == (one.trace.time_s[200], one.trace.time_s[201])
    assert (restart.from_s[0], restart.to_s[0]) == (one.trace.time_s[300], one.trace.time_s[301])
    assert "lines not readable" in _time_line(replace(one, trace=trace)).alternative


def test_slots_in_which_nothing_was_touched_are_shaded() -> None:
    one = _job()
    marks = (*one.marks, Mark(6.5, "rest", until_s=7.5))
    (rest,) = drawn_recording(replace(one, marks=marks).evidence).shades
    assert rest.kind == "rest"
    assert rest.to_s[0] - rest.from_s[0] == pytest.approx(1.0)
