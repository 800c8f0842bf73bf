"""Clock: marks noted as stamps, as seconds from the first frame, or by a clock that runs apart."""

from __future__ import annotations

import numpy as np
import pytest

from canlens.measures.outputs.observations import marks_offset
from tests.unit.small_jobs import START_NS, job, planned, presses

START_S = START_NS / 1e9
EDGES = {"horn": np.array([5.0, 17.0, 40.0]), "brake": np.array([11.0, 30.0])}
"""Seconds from the first frame, at uneven distances."""


def offset(shift_s: float, edges: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]] = EDGES) -> float:
    """Return what is found for marks written ``shift_s`` away from the edges."""
    written = {name: times + shift_s for name, times in EDGES.items()}
    return marks_offset(written, edges, start_s=START_S, duration_s=60)


def test_without_marks_nothing_is_shifted() -> None:
    assert marks_offset({}, EDGES, start_s=START_S, duration_s=60) == 0


def test_stamps_of_the_log_are_brought_to_its_first_frame() -> None:
    assert offset(START_S) == -START_S


def test_seconds_from_the_first_frame_stay_as_they_are() -> None:
    assert offset(0.0) == 0


def test_times_noted_a_little_late_by_hand_stay_as_they_are() -> None:
    assert offset(1.5) == 0


@pytest.mark.parametrize("shift_s", [-37.0, 100.0, 3600.0, START_S + 7200.0])
def test_a_constant_offset_is_found(shift_s: float) -> None:
    assert offset(shift_s) == pytest.approx(-shift_s, abs=1e-6)


def test_one_coincidence_is_no_offset() -> None:
    found = marks_offset({"horn": np.array([90.0])}, {"horn": np.array([5.0])}, start_s=START_S, duration_s=60)
    assert found in {0.0, -START_S}


def test_marks_whose_signals_never_moved_are_placed_by_where_they_lie() -> None:
    still = {name: np.zeros(0) for name in EDGES}
    assert offset(START_S, still) == -START_S
    assert offset(0.0, still) == 0


@pytest.mark.parametrize("shift_s", [0.0, START_S, 250.0])
def test_a_control_that_is_marked_but_never_moves_is_told_from_one_that_does(shift_s: float) -> None:
    marks = [(time_s + shift_s, name) for name, times in EDGES.items() for time_s in times]
    horn = [(time_s, time_s + 1) for time_s in EDGES["horn"].tolist()]
    one = job({"horn": horn, "brake": []}, {"siren": planned("horn", horn)}, end_s=60, marks=marks)
    controls = one.evidence.controls
    assert controls["horn"].marked == pytest.approx(EDGES["horn"], abs=1e-5)
    assert controls["brake"].marked == pytest.approx(EDGES["brake"], abs=1e-5)
    assert len(controls["brake"].exercises) == 0


def test_rest_is_no_control() -> None:
    horn = presses(3)
    one = job({"horn": horn}, {"siren": planned("horn", horn)}, end_s=20, marks=[(2, "horn"), (15, "rest")])
    assert one.evidence.controls["horn"].marked is not None
    assert set(one.evidence.controls) == {"horn"}


def test_marks_outside_the_recording_claim_nothing_about_it() -> None:
    marks = [(START_S + at_s, "horn") for at_s in (2.0, 5.0)] + [(START_S + 5000, "brake")]
    one = job({"horn": presses(2), "brake": []}, {"siren": planned("horn", presses(2))}, end_s=20, marks=marks)
    marked = one.evidence.controls["brake"].marked
    assert marked is None or not len(marked)
