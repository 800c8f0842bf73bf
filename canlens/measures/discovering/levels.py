"""Levels: numbers that move beyond a threshold, such as a throttle, or the pressure behind a brake switch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.discovering.places import LEVEL, Place, pulses_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.measures.discovering.changes import Changes
    from canlens.measures.discovering.places import Found, Limits
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

FEWEST_VALUES = 6
"""A field of fewer values is no number (our choice)."""
NOISE = 4.0
"""A number moves where it leaves its usual value by more than so many times its usual spread, halfway (our choice)."""
LEAST_STEP = 4
"""... and by more than so many raw steps."""
HALF = 0.5


def level_pulses(changes: Changes, limits: Limits) -> Found:
    """Return the bytes and pairs of bytes of a stream that leave their usual value, with the times they were away.

    The threshold lies halfway between the usual value and the farthest; it is set without a look at the marks.
    """
    lasting_s = np.append(np.diff(changes.time_s), 0.0)
    places: list[Place] = []
    columns: list[Bools] = []
    for place, values in _numbers(changes):
        usual = _middle(values, lasting_s)
        spread = _middle(np.abs(values - usual), lasting_s) * 1.4826
        for on, farthest in ((1, float(values.max())), (0, float(values.min()))):
            away = abs(farthest - usual) * HALF
            if away <= max(NOISE * spread, LEAST_STEP):
                continue
            limit = int(np.floor(usual + away)) if on else int(np.ceil(usual - away))
            beyond = values > limit if on else values <= limit
            if np.count_nonzero(beyond[1:] != beyond[:-1]) <= limits.busiest:
                places.append(place._replace(on=on, limit=limit))
                columns.append(beyond)
    if not columns:
        return pulses_of(changes, np.zeros((len(changes.row), 0), np.uint8), [], limits)
    table = np.stack(columns, axis=1).astype(np.uint8)
    return pulses_of(changes, table, places, limits)


def _middle(values: Ints, lasting_s: Floats) -> int:
    """Return the value, 0 or more, that is not passed for half of the time."""
    passed_s = np.cumsum(np.bincount(values, lasting_s))
    return int(np.searchsorted(passed_s, passed_s[-1] / 2))


def _numbers(changes: Changes) -> Iterator[tuple[Place, Ints]]:
    """Yield the bytes, and the pairs of bytes in either order, whose values may be numbers."""
    payload = changes.payload
    count = [np.count_nonzero(np.bincount(payload[:, byte])) for byte in range(payload.shape[1])]
    for byte, own in enumerate(count):
        if own >= FEWEST_VALUES:
            yield Place(changes.stream, 8 * byte, 8, 1, LEVEL), payload[:, byte].astype(np.int64)
    for byte in range(len(count) - 1):
        for lower, upper in ((byte, byte + 1), (byte + 1, byte)):
            if count[lower] < FEWEST_VALUES or count[upper] < 2:  # noqa: PLR2004 – a byte that never changes
                continue
            value = payload[:, lower].astype(np.int64) + 256 * payload[:, upper].astype(np.int64)
            yield Place(changes.stream, 8 * lower, 16, 1, LEVEL, is_motorola=lower > upper), value
