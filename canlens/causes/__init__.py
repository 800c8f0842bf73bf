"""The causes: one file each, one visible catalogue; evidence in, ranked causes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes import (
    answer_late,
    bus_stays_awake,
    control_never_changes,
    controller_silent,
    cut_off_differs,
    duplicate_identifier,
    flash_differs,
    interference_from_output,
    level_differs,
    lines_shorted,
    load_open,
    load_over_current,
    message_missing,
    no_traffic,
    nobody_acknowledges,
    node_intermittent,
    output_always_on,
    output_follows_other_control,
    output_not_commanded,
    outputs_swapped,
    run_on_differs,
    supply_sag,
    terminator_extra,
    terminator_missing,
    wrong_bit_rate,
)
from canlens.causes.cause import Candidate
from canlens.causes.weighing import weighed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.evidence import Evidence
    from canlens.findings import Cause

__all__ = ["ALL", "Candidate", "ranked", "wrong_beyond_outputs"]

ALL: tuple[Candidate, ...] = (
    no_traffic.CANDIDATE,
    lines_shorted.CANDIDATE,
    wrong_bit_rate.CANDIDATE,
    nobody_acknowledges.CANDIDATE,
    terminator_missing.CANDIDATE,
    terminator_extra.CANDIDATE,
    node_intermittent.CANDIDATE,
    interference_from_output.CANDIDATE,
    duplicate_identifier.CANDIDATE,
    message_missing.CANDIDATE,
    bus_stays_awake.CANDIDATE,
    controller_silent.CANDIDATE,
    supply_sag.CANDIDATE,
    control_never_changes.CANDIDATE,
    outputs_swapped.CANDIDATE,
    output_follows_other_control.CANDIDATE,
    output_not_commanded.CANDIDATE,
    output_always_on.CANDIDATE,
    answer_late.CANDIDATE,
    run_on_differs.CANDIDATE,
    cut_off_differs.CANDIDATE,
    level_differs.CANDIDATE,
    flash_differs.CANDIDATE,
    load_open.CANDIDATE,
    load_over_current.CANDIDATE,
)


def ranked(evidence: Evidence) -> tuple[Cause, ...]:
    """Return the causes that the evidence speaks for, most probable first."""
    return weighed(evidence, ALL)


ONE_OF_THEM = ("errors", "controller")
"""Questions put once, of the bus or the controller: the subjects of one of their causes exclude each other."""


def wrong_beyond_outputs(named: Iterable[Cause]) -> float:
    """Return how probable the likeliest cause of bus or controller is, wherever it may be at work.

    Where several outputs may be the one that pulls the supply down, none stands high alone, but one of them does it.
    """
    question = {each.name: each.question for each in ALL}
    sums: dict[tuple[str, ...], float] = {}
    for each in named:
        if each.scope in {"bus", "controller"}:
            key = (each.cause,) if question.get(each.cause) in ONE_OF_THEM else (each.cause, *each.subject)
            sums[key] = sums.get(key, 0.0) + each.probability
    return min(1.0, max(sums.values(), default=0.0))
