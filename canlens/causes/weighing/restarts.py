"""Restarts: spans in which a restart of the controller explains what its outputs did."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.evidence import Evidence

BEFORE_S = 1.5
AFTER_S = 1.5
"""So long before and after a restart what an output did is laid to it: the exercise that pulled the supply down, and
the return of what was on (our choice, a little more than the second in which a restart counts as the output's)."""


def restart_spans(evidence: Evidence) -> tuple[tuple[float, float], ...]:
    """Return the spans around the restarts [s]; none where no restart was measured."""
    if evidence.supply is None:
        return ()
    return tuple((start - BEFORE_S, stop + AFTER_S) for start, stop in evidence.supply.restarts_s.tolist())
