"""The causes: one file each, one visible catalogue; evidence in, ranked causes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes import bus, controller, errors, loads, release, routing, shared_causes
from canlens.causes.cause import Candidate
from canlens.causes.ranking import weighed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.nouns.outputs import Evidence
    from canlens.results.finding import Cause

__all__ = ["ALL", "Candidate", "ranked", "wrong_beyond_outputs"]

ALL: tuple[Candidate, ...] = (
    bus.NO_TRAFFIC,
    bus.LINES_SHORTED,
    bus.WRONG_BIT_RATE,
    bus.NOBODY_ACKNOWLEDGES,
    errors.TERMINATOR_MISSING,
    errors.TERMINATOR_EXTRA,
    errors.NODE_INTERMITTENT,
    errors.INTERFERENCE_FROM_OUTPUT,
    bus.DUPLICATE_IDENTIFIER,
    bus.MESSAGE_MISSING,
    bus.BUS_STAYS_AWAKE,
    bus.RECORDER_LOSES,
    controller.CONTROLLER_SILENT,
    controller.SUPPLY_SAG,
    controller.COMMON_GROUND,
    shared_causes.SUPPLY_MISSING,
    shared_causes.BUS_PLUG_OPEN,
    shared_causes.CONTROL_NOT_NOTICED,
    shared_causes.SETTING_DIFFERS,
    controller.CONTROL_NEVER_CHANGES,
    routing.OUTPUTS_SWAPPED,
    routing.OUTPUT_FOLLOWS_OTHER_CONTROL,
    routing.OUTPUT_NOT_COMMANDED,
    routing.OUTPUT_ALWAYS_ON,
    routing.ANSWER_LATE,
    release.RUN_ON_DIFFERS,
    release.CUT_OFF_DIFFERS,
    release.LEVEL_DIFFERS,
    release.FLASH_DIFFERS,
    loads.LOAD_OPEN,
    loads.LOAD_OVER_CURRENT,
    loads.OUTPUT_NOT_FED,
    loads.OUTPUT_INTERMITTENT,
)


def ranked(evidence: Evidence) -> tuple[Cause, ...]:
    """Return the causes that the evidence speaks for, most probable first."""
    return weighed(evidence, ALL)


ONE_OF_THEM = ("errors", "controller")
"""Questions put once, of the bus or the controller: the subjects of one of their causes exclude each other."""


def wrong_beyond_outputs(named: Iterable[Cause]) -> float:
    """Return how probable the likeliest cause of bus or controller is, wherever it may be at work.

    Where several outputs may be the one that pulls the supply down, none stands high alone, but one of them does it.
    A recorder that loses frames is nothing wrong with the job.
    """
    question = {each.name: each.question for each in ALL}
    sums: dict[tuple[str, ...], float] = {}
    for each in named:
        if each.scope in {"bus", "controller"} and question.get(each.cause) != "loss":
            key = (each.cause,) if question.get(each.cause) in ONE_OF_THEM else (each.cause, *each.subject)
            sums[key] = sums.get(key, 0.0) + each.probability
    return min(1.0, max(sums.values(), default=0.0))
