"""Thinning keeps every extreme and every edge, whatever the column."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from canlens.measures.picturing.lanes import step_lanes
from canlens.measures.picturing.quantities import edges, extremes, fair_share, series, turns
from canlens.plan.rule import OFF, ON
from tests.unit.small_jobs import job, planned, presses

if TYPE_CHECKING:
    from canlens.nouns.outputs import Evidence
    from canlens.signals import Floats

VALUES = st.one_of(st.sampled_from([0.0, 1.0, -1.0]), st.floats(-1e6, 1e6), st.just(float("nan")))
COLUMNS = st.lists(VALUES, min_size=1, max_size=300).map(lambda values: np.array(values, np.float64))


@given(COLUMNS, st.integers(1, 12))
def test_least_and_greatest_of_every_bucket_survive(value: Floats, buckets: int) -> None:
    kept = extremes(value, buckets=buckets)
    assert (np.diff(kept) > 0).all()
    if len(value) <= 4 * buckets:
        assert kept.tolist() == list(range(len(value)))
        return
    border = np.linspace(0, len(value), buckets + 1).astype(int)
    for start, stop in itertools.pairwise(border.tolist()):
        part, left = value[start:stop], value[kept[(kept >= start) & (kept < stop)]]
        assert {start, stop - 1} <= set(kept.tolist())
        if not np.isnan(part).all():
            assert np.nanmin(left) == np.nanmin(part)
            assert np.nanmax(left) == np.nanmax(part)


@given(COLUMNS)
def test_what_a_level_stretch_leaves_out_lies_on_the_line(value: Floats) -> None:
    kept = turns(value)
    held = value[kept[np.searchsorted(kept, np.arange(len(value)), "right") - 1]]
    assert np.array_equal(held, value, equal_nan=True)


@given(COLUMNS, st.integers(4, 60))
def test_a_thinned_column_keeps_its_extremes_and_shows_recorded_rows_only(
    value: Floats,
    most: int,
) -> None:
    time_s: Floats = np.array([number * 0.1 for number in range(len(value))])
    line = np.arange(len(value)) + 100
    own = series("M.S", time_s, value, line, most=most)
    assert np.array_equal(value[own.line - 100], own.value, equal_nan=True)
    assert np.array_equal(time_s[own.line - 100], own.time_s)
    known = ~np.isnan(value)
    if known.any():
        assert (own.least, own.greatest) == (value[known].min(), value[known].max())
        assert (np.nanmin(own.value), np.nanmax(own.value)) == (own.least, own.greatest)
    assert len(own.time_s) <= max(4 * max(most // 4, 1), 4)
    assert own.left_out == len(turns(value)) - len(own.time_s)


@given(st.integers(0, 400), st.integers(4, 200))
def test_steps_are_all_kept_as_long_as_they_fit_and_else_both_states_of_every_bucket(number: int, most: int) -> None:
    kept = edges(number, most=most)
    assert (np.diff(kept) > 0).all()
    if number <= most:
        assert len(kept) == number
        return
    assert len(kept) <= most
    assert (kept[0], kept[-1]) == (0, number - 1)
    assert {0, 1} == set((kept % 2).tolist())  # neighbours differ, so that even and odd steps are the two states
    assert int(np.diff(kept).max()) <= number / (most // 4) + 1


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=20), st.integers(1, 10_000))
def test_shares_never_add_up_to_more_than_there_is(numbers: list[int], most: int) -> None:
    allowed = fair_share(numbers, most)
    assert sum(min(number, allowed) for number in numbers) <= most
    if sum(numbers) <= most:
        assert all(number <= allowed for number in numbers)


def _flashing() -> Evidence:
    """Return a horn and a siren of two hundred presses each."""
    spans = presses(200, hold_s=0.4, every_s=1.0)
    return job({"horn": spans}, {"siren": planned("horn", spans)}, end_s=210).evidence


FLASHING = _flashing()


@given(st.integers(100, 3000))
def test_a_lane_keeps_every_edge_until_there_is_no_room(most: int) -> None:
    for lane, own in zip(
        step_lanes(FLASHING, most=most),
        (FLASHING.controls["horn"].track, FLASHING.outputs["siren"].track),
        strict=True,
    ):
        assert own is not None
        assert lane.changes == len(own.time_s)
        if not lane.is_thinned:
            assert lane.time_s.tolist() == own.time_s.tolist()
            assert lane.state.tolist() == own.state.tolist()
        assert {OFF, ON} == set(lane.state.tolist())
    assert any(lane.is_thinned for lane in step_lanes(FLASHING, most=most)) == (most < 2 * 401)
