"""The four cases that every check must have: it fires, stays silent, exactly at the limit, and with too little data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.unit.small_jobs import answering, job, planned, presses

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.unit.small_jobs import Job

HORN = presses(3)


def healthy() -> Job:
    """Return a job in which all is as planned."""
    brake = presses(3, first_s=12)
    outputs = {"siren": planned("horn", answering(HORN)), "lamp": planned("brake", answering(brake))}
    return job({"horn": HORN, "brake": brake}, outputs, end_s=24)


@dataclass(frozen=True)
class Cases:
    """The cases of one check.

    Attributes
    ----------
    fires
        A job in which it finds something.
    subject
        What the first finding is about.
    limit, little
        Jobs exactly at the limit, and with too little data to tell.
    messages
        Names of the messages whose frames the evidence must name; empty where there are no such lines.
    silent
        A job in which it finds nothing.
    limit_fires, little_fires
        Whether it finds something there.
    """

    fires: Callable[[], Job]
    subject: tuple[str, ...]
    limit: Callable[[], Job]
    little: Callable[[], Job]
    messages: frozenset[str] = frozenset()
    silent: Callable[[], Job] = healthy
    limit_fires: bool = False
    little_fires: bool = False
