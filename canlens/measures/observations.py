"""Observations: what eye, ear or meter saw of an output, against its rule and against what the bus said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import Answers, Steps, Track
from canlens.plan.rule import OFF, ON, UNKNOWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Observation
    from canlens.trace import Bools

OBSERVED_S = 0.5
"""Times seen by eye or ear are good to about this much [s]."""


def observed_answers(
    rule: Track, observed: Sequence[Observation], *, within_s: float, stays_s: float, offset_s: float
) -> tuple[Answers, bool]:
    """Judge the mapping of an output that nothing on the bus shows.

    An exercise counts when something was seen of the output during it; it is answered when that was *on*. On while
    the rule had been off for long enough is unasked. Latencies are not judged; exercises that nobody looked at stand
    under ``too_short``.

    Parameters
    ----------
    rule
        State of the output's rule.
    observed
        Of this output, in any order.
    within_s, stays_s
        Answer time, and how long the output may stay on after its rule [s].
    offset_s
        To be added to the written times [s].

    Returns
    -------
    Answers
        Lines of ``unasked`` are lines of the observations' file.
    bool
        Whether the output was also seen off at a time when its rule was off.
    """
    seen = sorted(observed, key=lambda each: each.time_s)
    time_s = np.array([each.time_s for each in seen]) + offset_s
    on = np.array([each.on for each in seen], bool)
    line = np.array([each.line for each in seen], np.int64)
    edge = rule.rises
    edge_s = rule.time_s[edge]
    fall_s = np.append(rule.time_s[1:], rule.end_s)[edge]
    answered, dark = np.zeros(len(edge), bool), np.zeros(len(edge), bool)
    for row, (begin_s, end_s) in enumerate(zip(edge_s, fall_s, strict=True)):
        during = (time_s >= begin_s - OBSERVED_S) & (time_s <= end_s + within_s)
        well_inside = (time_s >= begin_s + within_s + OBSERVED_S) & (time_s <= end_s - OBSERVED_S)
        answered[row] = (during & on).any()
        dark[row] = (well_inside & ~on).any() and not answered[row]
    since_s, until_s = time_s - OBSERVED_S - within_s - stays_s, time_s + OBSERVED_S
    off_before = ~rule.ever(ON, since_s, until_s) & ~rule.ever(UNKNOWN, since_s, until_s)
    due = answered | dark
    none = Steps.none()
    found = Answers(
        due=Steps.of(rule, edge[due]),
        answered=Steps.of(rule, edge[answered]),
        late=none,
        unanswered=Steps.of(rule, edge[dark]),
        too_short=Steps.of(rule, edge[~due]),
        held=none,
        unasked=Steps(line[on & off_before], time_s[on & off_before]),
        latency_s=np.zeros(0),
        late_s=np.zeros(0),
    )
    seen_off = bool((~on & (rule.at(time_s + OBSERVED_S) == OFF)).any())
    return found, seen_off


def agreement(output: Track, observed: Sequence[Observation], *, offset_s: float) -> tuple[int, Steps]:
    """Compare what was seen with what the bus said, away from the output's own changes.

    Returns
    -------
    int
        How many observations of *on* agree.
    Steps
        Those that disagree, lines of the observations' file.
    """
    seen = sorted(observed, key=lambda each: each.time_s)
    time_s = np.array([each.time_s for each in seen]) + offset_s
    on = np.array([each.on for each in seen], bool)
    line = np.array([each.line for each in seen], np.int64)
    agrees = np.where(on, _near(output, ON, time_s), _near(output, OFF, time_s))
    said = _near(output, ON, time_s) | _near(output, OFF, time_s)
    wrong = said & ~agrees
    return int((agrees & on).sum()), Steps(line[wrong], time_s[wrong])


def _near(output: Track, state: int, time_s: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Bools:
    """Tell whether the bus showed a state within :data:`OBSERVED_S`, or one interval later where it shows it late."""
    since_s = np.nextafter(time_s - OBSERVED_S, -np.inf)
    return output.ever(state, since_s, time_s + OBSERVED_S + output.slack_s)
