"""Whatever is drawn: right numbers, equal slots, nothing at the same time, the same seed the same session."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from canlens.plan.nouns import REST
from canlens.prompting import Session, draw_free_session
from canlens.prompting.counting import rests_for

NAMES = ("horn", "brake_front", "brake_rear", "dusk", "ignition")
SEEDS = st.integers(0, 2**32)
COUNTS = st.integers(2, len(NAMES))


def steps_follow_each_other(session: Session) -> None:
    assert [step.number for step in session.steps] == list(range(1, len(session.steps) + 1))
    assert session.steps[0].start_s == 0.0
    for one, other in pairwise(session.steps):
        assert one.end_s == other.start_s
        assert one.part <= other.part
    for step in session.steps:
        assert step.start_s <= step.act_s <= step.until_s <= step.end_s


@settings(deadline=None, max_examples=50)
@given(SEEDS, COUNTS)
def test_every_draw_has_the_right_numbers_and_slots_of_equal_length(seed: int, count: int) -> None:
    session = draw_free_session(NAMES[:count], seed=seed)
    steps_follow_each_other(session)
    drawn = [step for step in session.steps if step.is_drawn]
    assert len({round(step.end_s - step.start_s, 6) for step in drawn}) == 1
    tally = session.tallies[0]
    counts = Counter(mark.label for mark in session.marks)
    assert {counts[name] for name in NAMES[:count]} == {tally.exercises}
    assert counts[REST] == tally.slots - count * tally.exercises >= rests_for(tally.exercises)
    assert all(one.error_chance <= session.wished_chance for one in session.tallies)


@settings(deadline=None, max_examples=50)
@given(SEEDS, COUNTS)
def test_the_same_seed_gives_the_same_session(seed: int, count: int) -> None:
    names = NAMES[:count]
    assert draw_free_session(names, seed=seed) == draw_free_session(names, seed=seed)
    assert draw_free_session(names, seed=seed).steps != draw_free_session(names, seed=seed + 1).steps


@settings(deadline=None, max_examples=50)
@given(SEEDS, COUNTS)
def test_no_two_exercises_overlap_and_holds_differ(seed: int, count: int) -> None:
    session = draw_free_session(NAMES[:count], seed=seed)
    for one, other in pairwise(session.marks):
        assert one.until_s is not None
        assert one.until_s <= other.time_s
    for name in NAMES[:count]:
        held = {round((mark.until_s or 0) - mark.time_s, 1) for mark in session.marks if mark.label == name}
        assert len(held) >= 3


@settings(deadline=None, max_examples=50)
@given(SEEDS, st.integers(2, len(NAMES)))
def test_each_state_of_the_vehicle_has_its_own_draw_with_rests(seed: int, count: int) -> None:
    names = [*NAMES[: count - 1], "ignition"]
    session = draw_free_session(names, seed=seed, awake_while="ignition")
    steps_follow_each_other(session)
    total: Counter[str] = Counter()
    for held in ((), ("ignition",)):
        labels = Counter(step.control or REST for step in session.steps if step.is_drawn and step.held == held)
        assert labels[REST] >= 1
        assert len({labels[name] for name in names[:-1]}) == 1
        total += labels
    tally = session.tallies[0]
    assert {total[name] for name in names[:-1]} == {tally.exercises}
    assert sum(total.values()) == tally.slots
    assert tally.error_chance <= session.wished_chance
    (ignition,) = [mark for mark in session.marks if mark.label == "ignition"]
    on = [step for step in session.steps if step.is_drawn and step.held]
    assert ignition.time_s < on[0].start_s
    assert ignition.until_s is not None
    assert ignition.until_s > on[-1].end_s


def test_the_order_is_drawn_evenly() -> None:
    """Each of the 24 places is as likely for an exercise: 8 of 24, within 5 standard errors of 600 draws."""
    seen: Counter[int] = Counter()
    draws = 600
    for seed in range(draws):
        slots = [step for step in draw_free_session(["horn"], slots=24, seed=seed).steps if step.is_drawn]
        seen.update(number for number, step in enumerate(slots) if step.control)
    exercises = sum(seen.values()) / draws
    share = exercises / 24
    error = 5 * (share * (1 - share) * draws) ** 0.5
    assert all(abs(seen[place] - share * draws) < error for place in range(24))
