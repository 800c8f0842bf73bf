from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.exercises import CHANGED, lanes
from canlens.plan.rule import OFF, ON, UNKNOWN
from tests.unit.small_jobs import job, planned

if TYPE_CHECKING:
    from canlens.nouns.outputs import Evidence


def _evidence() -> Evidence:
    """Return a horn of three presses, of which the siren misses the second; before it, the siren comes on unasked."""
    horn = [(2.0, 3.0), (5.0, 5.4), (8.0, 9.0)]
    siren = [(2.05, 3.05), (4.0, 4.3), (8.05, 9.05)]
    return job({"horn": horn}, {"siren": planned("horn", siren)}, end_s=10).evidence


def test_each_part_tells_on_off_or_both() -> None:
    horn = lanes(_evidence(), parts=10)[0]
    assert (horn.name, horn.kind) == ("horn", "control")
    assert horn.state[0] == OFF
    assert horn.state[5] == CHANGED  # a press of 0.4 s is not lost in a part of a second
    assert lanes(_evidence(), parts=40)[0].state.tolist().count(ON) > 0


def test_exercises_stand_in_the_part_in_which_the_control_went_on() -> None:
    siren = lanes(_evidence(), parts=10)[1]
    assert siren.kind == "output"
    assert np.flatnonzero(siren.answered).tolist() == [2, 8]
    assert np.flatnonzero(siren.missed).tolist() == [5]
    assert np.flatnonzero(siren.unasked).tolist() == [4]


def test_no_exercise_is_lost_however_few_parts_there_are() -> None:
    siren = lanes(_evidence(), parts=1)[1]
    assert (siren.answered.tolist(), siren.missed.tolist(), siren.unasked.tolist()) == ([2], [1], [1])


def test_an_output_that_nothing_shows_is_unknown_and_not_off() -> None:
    evidence = _evidence()
    hidden = replace(evidence, outputs={"siren": replace(evidence.outputs["siren"], track=None)})
    assert set(lanes(hidden, parts=7)[1].state.tolist()) == {UNKNOWN}


def test_a_recording_without_length_has_no_lanes() -> None:
    evidence = _evidence()
    assert lanes(replace(evidence, recording=replace(evidence.recording, duration_s=0.0)), parts=5) == ()
