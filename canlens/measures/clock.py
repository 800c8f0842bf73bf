"""Clock: how the times that a person wrote down lie against the recording's own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from canlens.signals import Floats

HAND_NOTED_S = 2.0
"""Times noted by hand are good to about this much [s] (common practice, no source)."""
FEWEST_MATCHES = 2
"""An offset that only one mark supports is no better than a plain reading of the stamps."""


def marks_offset(
    marks_s: Mapping[str, Floats], edges_s: Mapping[str, Floats], *, start_s: float, duration_s: float
) -> float:
    """Estimate what must be added to written times to reach seconds from the recording's first frame.

    Parameters
    ----------
    marks_s
        Written times by control [s], as written.
    edges_s
        Rising edges of the same controls [s from the first frame].
    start_s, duration_s
        Stamp of the first frame and span of the recording [s].

    Returns
    -------
    float
        ``-start_s`` where the times are the log's own stamps, 0 where they count from its first frame, anything
        else where a constant offset brings clearly more marks to an edge of their control. 0 without marks.
    """
    every_s = np.concatenate([np.zeros(0), *marks_s.values()])
    if not len(every_s):
        return 0.0
    plain = [-start_s, 0.0]
    inside = [float(np.mean((every_s + offset >= -1) & (every_s + offset <= duration_s + 1))) for offset in plain]
    matched = [_matches(marks_s, edges_s, offset) for offset in plain]
    best = max(range(2), key=lambda index: (matched[index], inside[index], -index))
    apart = [edges_s[name][:, None] - marks_s[name][None, :] for name in marks_s if name in edges_s]
    tries = np.concatenate([np.zeros(0), *(each.ravel() for each in apart)])
    counts = np.array([_matches(marks_s, edges_s, offset) for offset in tries[:TRIES]], np.int64)
    if len(counts) and counts.max() >= FEWEST_MATCHES and counts.max() > matched[best]:
        top = tries[:TRIES][counts == counts.max()]
        centre = top[np.argmin(np.abs(top - plain[best]))]
        near = tries[np.abs(tries - centre) <= HAND_NOTED_S]
        return float(np.median(near))
    return plain[best]


TRIES = 2000
"""At most this many offsets are tried; more edges and marks than that agree long before."""


def _matches(marks_s: Mapping[str, Floats], edges_s: Mapping[str, Floats], offset_s: float) -> int:
    """Count the marks that have an edge of their control within :data:`HAND_NOTED_S`."""
    count = 0
    for name, written_s in marks_s.items():
        sorted_s = np.sort(edges_s.get(name, np.zeros(0)))
        if not len(sorted_s):
            continue
        at = np.searchsorted(sorted_s, written_s + offset_s)
        before = np.abs(written_s + offset_s - sorted_s[np.maximum(at - 1, 0)])
        after = np.abs(written_s + offset_s - sorted_s[np.minimum(at, len(sorted_s) - 1)])
        count += int((np.minimum(before, after) <= HAND_NOTED_S).sum())
    return count
