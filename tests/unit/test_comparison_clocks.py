from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canlens import compare
from tests.unit.small_buses import Sent, bus, others

END_S = 70.0
DRIFTS_PPM = (-200, -50, 50, 100, 200)
"""Quartz clocks of two recorders are apart by so much."""


def _sent(**changed: float) -> list[Sent]:
    speed = replace(Sent("Speed", 0x100, every_s=0.1, jitter_s=0.0005, node="Drive"), **changed)  # type: ignore[arg-type]
    return [speed, *(Sent(f"More{n}", 0x400 + n, every_s=0.2, phase_s=0.003 * n) for n in range(3)), *others(3)]


@pytest.mark.parametrize("ppm", DRIFTS_PPM)
def test_recorders_whose_clocks_drift_apart_change_no_message(ppm: int) -> None:
    before = bus(*_sent(), end_s=END_S)
    after = bus(*_sent(), end_s=END_S, seed=2, shift_ns=lambda time: round(time * ppm * 1e-6))
    assert compare(before.trace, after.trace).verdict == "no-change-seen"


@pytest.mark.parametrize("ppm", DRIFTS_PPM)
def test_what_changed_by_one_percent_is_found_alone_under_drifting_clocks(ppm: int) -> None:
    before = bus(*_sent(), end_s=END_S)
    after = bus(*_sent(every_s=0.101), end_s=END_S, seed=2, shift_ns=lambda time: round(time * ppm * 1e-6))
    found = compare(before.trace, after.trace).result.changes
    assert [(each.change, each.subject[0]) for each in found] == [("interval", "0x100")]
    assert found[0].size == pytest.approx(0.01, abs=5e-4)


def test_a_clock_that_drifts_while_recording_changes_no_message() -> None:
    before = bus(*_sent(), end_s=END_S).trace
    since_s = (before.time_ns - before.time_ns[0]) / 1e9
    wandering_ns = np.rint(1e5 * since_s * since_s / END_S).astype(np.int64)  # from 0 to 200 ppm
    after = replace(before, time_ns=before.time_ns + wandering_ns)
    assert compare(before, after).verdict == "no-change-seen"
