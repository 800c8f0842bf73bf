"""Lines of links: each link that is seen or broken names frames of the log that show it."""

from __future__ import annotations

import pytest

from canlens.results.check import LINKS
from tests.unit.small_jobs import Job, Planned, answering, job, planned, presses, wave

HORN = presses(4)


def one(siren: Planned, *, controls: dict[str, list[tuple[float, float]]] | None = None) -> Job:
    """Return a job with one output."""
    return job(controls or {"horn": HORN}, {"siren": siren}, end_s=18)


def shown(job_: Job, link: str) -> list[tuple[str, float]]:
    """Return message and time [s] of the frames that a link names."""
    lines = job_.result("siren").links_evidence.get(link, ())
    return [(job_.message_of(line), round(job_.time_of(line), 3)) for line in lines]


def test_what_was_seen_names_the_first_frames_that_show_it() -> None:
    healthy = one(planned("horn", answering(HORN)))
    rises = [(healthy.message_of(1), start) for start, _ in HORN[:3]]
    assert shown(healthy, "control-change") == rises
    assert shown(healthy, "commanded") == rises


def test_an_unanswered_exercise_is_named_and_not_those_that_were_answered() -> None:
    broken = one(planned("horn", answering([*HORN[:2], HORN[3]])))
    assert broken.result("siren").links["commanded"] == "broken"
    assert [time_s for _, time_s in shown(broken, "commanded")] == [HORN[2][0]]


def test_what_came_unasked_is_named_by_the_frame_of_the_output() -> None:
    stray = one(planned("horn", [*answering(HORN), (16.0, 17.0)]))
    found = shown(stray, "commanded")
    assert [time_s for _, time_s in found] == [16.01]
    assert found[0][0] != stray.message_of(1)


def test_a_release_that_is_late_is_named_by_the_edge_that_should_have_ended_it() -> None:
    stays = one(planned("horn", answering(HORN, run_on_s=1.0)))
    assert stays.result("siren").links["release"] == "broken"
    assert [time_s for _, time_s in shown(stays, "release")] == [stop for _, stop in HORN[:3]]


def test_a_load_without_current_is_named_by_a_frame_of_the_current() -> None:
    on = answering(HORN)
    dead = one(planned("horn", on, current=wave([]), load_a=5.0))
    assert dead.result("siren").links["output"] == "broken"
    found = shown(dead, "output")
    assert len(found) == 3
    assert all(start < time_s < stop for (_, time_s), (start, stop) in zip(found, on, strict=False))


@pytest.mark.parametrize("on", [answering(HORN), [], answering(HORN, delay_s=0.6), answering(HORN, run_on_s=1.0)])
def test_only_links_that_were_seen_or_broken_name_frames(on: list[tuple[float, float]]) -> None:
    result = one(planned("horn", on)).result("siren")
    assert set(result.links_evidence) <= {link for link in LINKS if result.links[link] != "cannot-tell"}


def test_what_only_the_eye_saw_names_no_frames() -> None:
    assert one(planned("horn")).result("siren").links_evidence == {}
