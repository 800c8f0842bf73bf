"""The causes: one file each, one visible catalogue; evidence in, ranked causes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes import controller_silent, message_missing, no_traffic
from canlens.causes.cause import Candidate

if TYPE_CHECKING:
    from canlens.evidence import Evidence
    from canlens.findings import Cause

__all__ = ["ALL", "Candidate", "ranked"]

ALL: tuple[Candidate, ...] = (no_traffic.CANDIDATE, controller_silent.CANDIDATE, message_missing.CANDIDATE)


def ranked(evidence: Evidence) -> tuple[Cause, ...]:
    """Return the causes that the evidence speaks for, most probable first."""
    found = [cause for candidate in ALL for cause in candidate.weigh(evidence)]
    return tuple(sorted(found, key=lambda cause: -cause.probability))
