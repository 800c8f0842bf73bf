"""Rest: whether the bus falls silent after the control that keeps it awake, as the plan wants it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.sleep import places_at
from canlens.plan.rule import OFF, ON
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.evidence import ControlEvidence, OutputEvidence, Track
    from canlens.message_evidence import QuietEvidence
    from canlens.plan import Bus
    from canlens.trace import Trace


def rest(
    quiet: QuietEvidence,
    trace: Trace,
    planned: Bus,
    *,
    controls: Mapping[str, ControlEvidence],
    outputs: Mapping[str, OutputEvidence],
) -> QuietEvidence:
    """Hold the end of a recording against the plan.

    Parameters
    ----------
    quiet
        Who spoke last and who woke the bus.
    trace
        Frames of the channel that is judged.
    planned
        Its ``awake_while`` and ``quiet_after_s``.
    controls, outputs
        As measured.

    Returns
    -------
    QuietEvidence
        With the end of the control, the last change of an output, and the frames that came too late.
    """
    control = controls.get(planned.awake_while or "")
    off_s = _went_off(control.track) if control else None
    changes = [
        float(each.track.time_s[edges[-1]])
        for each in outputs.values()
        if each.track is not None
        for edges in (each.track.rises, each.track.falls)
        if len(edges)
    ]
    late = np.zeros(0, np.intp)
    if off_s is not None and planned.quiet_after_s is not None:
        limit_ns = trace.start_ns + round((off_s + planned.quiet_after_s) * NANOSECONDS_PER_SECOND)
        late = np.flatnonzero(trace.time_ns > limit_ns)
        late = late[trace.kind[late] != Kind.ERROR]
    return replace(
        quiet,
        off_s=off_s,
        allowed_s=planned.quiet_after_s,
        too_late=places_at(trace, late),
        last_change_s=max(changes, default=None),
    )


def _went_off(track: Track) -> float | None:
    """Return when a control went off for the last time [s]; None if it was not seen to, or it is on again."""
    on = np.flatnonzero(track.state == ON)
    if not len(on) or on[-1] + 1 >= len(track.state) or track.state[on[-1] + 1] != OFF:
        return None
    return float(track.time_s[on[-1] + 1])
