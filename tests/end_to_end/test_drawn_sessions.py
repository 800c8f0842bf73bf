"""Sessions that nobody has seen: what is planted is found, and nothing is named where nothing is."""

from __future__ import annotations

from pathlib import Path

import pytest

from canlens import discover, read_plan, rehearse
from tests.benchmark.discovery import CASES, NULLS, Case, rank_of
from tests.benchmark.drawn_sessions import draw_session

ROOT = Path(__file__).parents[2]
SEEDS = range(31_000, 31_003)


@pytest.mark.parametrize("case", [each for each in CASES if each.draw is draw_session], ids=lambda each: each.name)
def test_planted_places_come_first(case: Case) -> None:
    ranks = []
    for seed in SEEDS:
        session = case.draw(seed, case.kind)
        result = discover(session.trace, session.marks).result
        ranks += [rank_of(row, session.truth[name]) for name, row in result.controls.items()]
        for name, row in result.controls.items():
            assert not row.named or rank_of(row, session.truth[name]) == 1
    assert sum(rank == 1 for rank in ranks) >= 0.9 * len(ranks)


@pytest.mark.parametrize("case", [each for each in NULLS if each.draw is draw_session], ids=lambda each: each.name)
def test_nothing_is_named_where_nothing_follows(case: Case) -> None:
    for seed in SEEDS:
        session = case.draw(seed, case.kind)
        assert not any(row.named for row in discover(session.trace, session.marks).result.controls.values())


def test_the_controls_of_a_rehearsed_job_are_found_without_its_database() -> None:
    plan = read_plan(ROOT / "traces" / "quernholt.toml")
    rehearsal = rehearse(plan, seed=5)
    result = discover(rehearsal.trace, rehearsal.marks).result
    for name, row in result.controls.items():
        shown = plan.controls[name].condition.reference
        best = row.candidates[0]
        every = [(each.identifier, each.start_bit) for each in (best, *best.mirrors)]
        assert any(
            where == f"0x{shown.message.identifier:x}" and shown.definition.bits >> bit & 1 for where, bit in every
        ), name
        assert row.named == (row.exercises > 1)
