"""Situations: installs of every kind, each with the verdict, reason and link that it must come to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

from canlens.trace import Problem
from tests.unit.small_jobs import (
    Wave,
    answering,
    flashes,
    job,
    operated,
    planned,
    presses,
    wave,
    without_frames,
    without_message,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.checkup import Checkup
    from tests.unit.small_jobs import Job, Planned

HORN = presses(3)
BRAKE = presses(3, first_s=12)


def with_siren(siren: Planned, *, horn: object = HORN, **more: object) -> Job:
    """Return a job with one output to judge, beside a brake lamp that works."""
    controls = {"horn": horn, "brake": BRAKE}
    return job(controls, {"siren": siren, "lamp": planned("brake", answering(BRAKE))}, end_s=24, **more)  # type: ignore[arg-type]


def siren(on: object = answering(HORN), **more: object) -> Planned:
    return planned("horn", on, **more)  # type: ignore[arg-type]


def swapped() -> Job:
    outputs = {"siren": planned("horn", answering(BRAKE)), "lamp": planned("brake", answering(HORN))}
    return job({"horn": HORN, "brake": BRAKE}, outputs, end_s=24)


def poor(one: Job) -> Job:
    problems = (Problem(7, "(17600", "(time) channel frame", count=len(one.trace)),)
    return replace(one, trace=replace(one.trace, problems=problems))


def run_on(after_s: float) -> Planned:
    return siren(answering(HORN[:1], run_on_s=after_s), run_on_s=2.0, run_on_tolerance_s=0.5)


def cut(after_s: float) -> Planned:
    return siren([(2.05, min(2 + after_s, 10.05))], cut_after_s=5.0, cut_after_tolerance_s=0.5)


LONG = [(2.0, 10.0)]
LIT = [(3.0, 9.0)]


def level(percent: int) -> Planned:
    return siren(level=wave(answering(HORN), on=percent), level_day=100.0)


def flashing(hz: float) -> Planned:
    lit = [(2.05, 100), *(step for on, off in flashes(LIT, hz) for step in ((on, 100), (off, 0))), (9, 100), (10.05, 0)]
    options = {"flash_when": "dip", "flash_hz": 4.0, "flash_tolerance_hz": 0.5}
    return siren(answering(LONG), level=Wave(lit, cycle_s=0.02), **options)


def flash_job(hz: float) -> Job:
    return job({"horn": LONG, "dip": LIT}, {"siren": flashing(hz)}, end_s=24, min_exercises=1)


def noticed(count: int) -> Job:
    horn = operated(HORN, noticed=answering(HORN[:count]))
    return with_siren(siren(answering(HORN[:count])), horn=horn)


def amps(raw: int, off: int = 0) -> Planned:
    steps = [(0, off), *(step for a, b in answering(HORN) for step in ((a, raw), (b, off)))]
    return siren(current=Wave(steps), load_a=5.0, continuous_a=6.0, peak_a=9.0)


@dataclass(frozen=True)
class Situation:
    """An install, and what must be said of its siren."""

    made: Callable[[], Job]
    verdict: str
    reason: str
    broken: str | None = None
    whole: str = ""


SITUATIONS = {
    "healthy": Situation(lambda: with_siren(siren()), "proven", "3 of 3 exercises answered"),
    "swapped": Situation(swapped, "failed", "3 of 3 exercises not answered", "commanded"),
    "wrongly mapped": Situation(lambda: with_siren(siren(answering(BRAKE))), "failed", "not answered", "commanded"),
    "follows one control too many": Situation(
        lambda: with_siren(siren(answering([*HORN, *BRAKE]))), "failed", "3 times without being asked", "commanded"
    ),
    "dead": Situation(lambda: with_siren(siren([])), "failed", "3 of 3 exercises not answered", "commanded"),
    "dead once": Situation(
        lambda: with_siren(siren(answering(HORN[:2]))), "failed", "1 of 3 exercises not answered", "commanded"
    ),
    "late": Situation(
        lambda: with_siren(siren(answering(HORN, delay_s=0.6))),
        "failed",
        "3 of 3 exercises answered too late",
        "commanded",
    ),
    "stuck on": Situation(lambda: with_siren(siren([(0.0, 24.0)])), "failed", "not answered", "commanded"),
    "stuck on after its first exercise": Situation(
        lambda: with_siren(siren([(2.05, 24.0)])), "failed", "not answered", "commanded"
    ),
    "on from the start, never exercised": Situation(
        lambda: with_siren(siren([(0.0, 24.0)]), horn=[]), "failed", "stayed on while its rule was off", "release"
    ),
    "goes off too late": Situation(
        lambda: with_siren(siren(answering(HORN, run_on_s=1.0))), "failed", "went off too late", "release"
    ),
    "right run-on": Situation(lambda: with_siren(run_on(2.0), horn=HORN[:1], min_exercises=1), "proven", "1 of 1"),
    "wrong run-on": Situation(
        lambda: with_siren(run_on(5.0), horn=HORN[:1], min_exercises=1),
        "failed",
        "run-on is 5.01 to 5.06 s, planned 2 s",
        "release",
    ),
    "endless run-on": Situation(
        lambda: with_siren(run_on(50.0), horn=HORN[:1], min_exercises=1),
        "failed",
        "run-on of 2 s had passed",
        "release",
    ),
    "right cut-off": Situation(lambda: with_siren(cut(5), horn=LONG, min_exercises=1), "proven", "1 of 1"),
    "wrong cut-off": Situation(
        lambda: with_siren(cut(3), horn=LONG, min_exercises=1), "failed", "cut-off is", "release"
    ),
    "no cut-off": Situation(
        lambda: with_siren(cut(50), horn=LONG, min_exercises=1), "failed", "cut-off of 5 s had passed", "release"
    ),
    "cut-off not waited for": Situation(
        lambda: with_siren(siren(cut_after_s=5.0, cut_after_tolerance_s=0.5)),
        "not-proven",
        "cut-off after 5 s was never seen",
    ),
    "dropped": Situation(
        lambda: with_siren(siren([(2.05, 6.0)]), horn=LONG, min_exercises=1),
        "failed",
        "while still asked for",
        "release",
    ),
    "right level": Situation(lambda: with_siren(level(100)), "proven", "3 of 3"),
    "wrong level": Situation(lambda: with_siren(level(60)), "failed", "level by day is 60, planned 100", "commanded"),
    "right flashing": Situation(lambda: flash_job(4.0), "proven", "1 of 1"),
    "wrong flashing": Situation(lambda: flash_job(2.0), "failed", "flashes at 2 Hz, planned 4 Hz", "commanded"),
    "open load": Situation(lambda: with_siren(amps(0)), "failed", "no current flows", "output"),
    "right load": Situation(lambda: with_siren(amps(50)), "proven", "3 of 3"),
    "over-current": Situation(
        lambda: with_siren(amps(95)), "failed", "current above its limit (up to 9.5 A)", "output"
    ),
    "stray current": Situation(lambda: with_siren(amps(50, off=20)), "failed", "while it is commanded off", "output"),
    "unexercised": Situation(lambda: with_siren(siren([]), horn=[]), "not-proven", "horn was never exercised"),
    "too few": Situation(
        lambda: with_siren(siren(answering(HORN[:2])), horn=HORN[:2]), "not-proven", "horn was exercised 2 of 3 times"
    ),
    "too short": Situation(
        lambda: with_siren(siren([]), horn=presses(3, hold_s=0.2)),
        "not-proven",
        "horn was operated 3 times, but never so",
    ),
    "confounded": Situation(
        lambda: job(
            {"horn": HORN, "brake": HORN},
            {"siren": siren(), "lamp": planned("brake", answering(HORN))},
            end_s=12,
        ),
        "not-proven",
        "horn and brake never differed",
    ),
    "empty log": Situation(
        lambda: without_frames(with_siren(siren())),
        "not-proven",
        "no traffic",
        "traffic",
        whole="failed",
    ),
    "controller silent": Situation(
        lambda: without_message(without_message(with_siren(siren()), "SirenState"), "LampState"),
        "not-proven",
        "(SirenState) never came",
        "controller",
        whole="failed",
    ),
    "cyclic message missing": Situation(
        lambda: without_message(with_siren(siren()), "Horn"),
        "not-proven",
        "the message of horn (Horn) never came",
        "control-message",
        whole="failed",
    ),
    "message missing that may be sent on a change only": Situation(
        lambda: without_message(with_siren(siren([]), declared=False), "Horn"),
        "not-proven",
        "the message of horn (Horn) never came",
        whole="not-proven",
    ),
    "status message missing": Situation(
        lambda: without_message(with_siren(siren()), "SirenState"),
        "not-proven",
        "(SirenState) never came",
        whole="failed",
    ),
    "poor recording, healthy": Situation(lambda: poor(with_siren(siren())), "not-proven", "the recording is poor"),
    "marks say operated, signal does not move": Situation(
        lambda: with_siren(siren([]), horn=[], marks=[(start, "horn") for start, _ in HORN]),
        "failed",
        "do not show in its signal",
        "control-change",
    ),
    "controller does not notice": Situation(lambda: noticed(0), "failed", "not answered", "noticed"),
    "controller notices": Situation(lambda: noticed(3), "proven", "3 of 3"),
    "nothing shows it": Situation(
        lambda: with_siren(planned("horn")), "not-proven", "nothing on the bus shows it, and no observations were given"
    ),
    "observed only, healthy": Situation(
        lambda: with_siren(
            planned("horn"),
            horn=presses(3, hold_s=2),
            observed=[(0.5, "siren", False), *((a + 1, "siren", True) for a, _ in HORN)],
        ),
        "proven",
        "3 of 3",
    ),
    "observed only, dead": Situation(
        lambda: with_siren(
            planned("horn"), horn=presses(3, hold_s=2), observed=[(a + 1, "siren", False) for a, _ in HORN]
        ),
        "failed",
        "3 of 3 exercises not answered",
    ),
    "observed only, never seen off": Situation(
        lambda: with_siren(
            planned("horn"), horn=presses(3, hold_s=2), observed=[(a + 1, "siren", True) for a, _ in HORN]
        ),
        "not-proven",
        "never seen off",
    ),
    "seen otherwise than commanded": Situation(
        lambda: with_siren(siren(), horn=HORN, observed=[(10.5, "siren", True)]), "failed", "seen otherwise", "load"
    ),
    "status message away during the exercises": Situation(
        lambda: with_siren(siren(wave(answering(HORN), silent=[(1.0, 11.0)]))),
        "not-proven",
        "horn was operated 3 times, but never so",
    ),
}


LIKELY = {
    "swapped": "outputs-swapped",
    "wrongly mapped": "output-follows-other-control",
    "follows one control too many": "output-follows-other-control",
    "dead": "output-not-commanded",
    "late": "answer-late",
    "stuck on": "output-always-on",
    "stuck on after its first exercise": "run-on-differs",
    "on from the start, never exercised": "output-always-on",
    "goes off too late": "run-on-differs",
    "wrong run-on": "run-on-differs",
    "endless run-on": "run-on-differs",
    "wrong cut-off": "cut-off-differs",
    "no cut-off": "cut-off-differs",
    "wrong level": "level-differs",
    "wrong flashing": "flash-differs",
    "open load": "load-open",
    "over-current": "load-over-current",
    "empty log": "no-traffic",
    "controller silent": "controller-silent",
    "cyclic message missing": "message-missing",
    "status message missing": "message-missing",
    "poor recording, healthy": "not-enough-evidence",
    "marks say operated, signal does not move": "control-never-changes",
    "controller does not notice": "control-not-noticed",
    "observed only, dead": "output-not-commanded",
}
"""The one cause that stands above even odds; in the other situations none does."""


@cache
def checkup_of(name: str) -> Checkup:
    return SITUATIONS[name].made().checkup
