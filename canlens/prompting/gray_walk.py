"""Gray walk: every combination of a few controls, one change at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_CONTROLS = 4
"""Four controls have sixteen combinations; more of them nobody holds with two hands."""
WALKS = 2
"""Each combination is reached this often, the second time from another side."""


def gray_walk(controls: Sequence[str]) -> list[tuple[str, bool]]:
    """Return the changes that lead once through all combinations and back: a control, and whether it goes on.

    Parameters
    ----------
    controls
        The first one changes most often.

    References
    ----------
    The reflected binary code of F. Gray, US patent 2 632 058: neighbours differ in one bit, the last and first too.

    Examples
    --------
    >>> gray_walk(["a", "b"])
    [('a', True), ('b', True), ('a', False), ('b', False)]
    """
    if not controls:
        return []
    changes, on = [], dict.fromkeys(controls, False)
    for number in range(1, 1 << len(controls)):
        changed = controls[(number & -number).bit_length() - 1]
        on[changed] = not on[changed]
        changes.append((changed, on[changed]))
    return [*changes, (controls[-1], False)]


def walked_groups(groups: Iterable[Sequence[str]]) -> list[tuple[str, ...]]:
    """Return the groups of two to four controls that are not part of another one, each once."""
    known = list(dict.fromkeys(tuple(group) for group in groups if 1 < len(group) <= MOST_CONTROLS))
    return [
        group
        for number, group in enumerate(known)
        if not any(
            set(group) < set(other) or (set(group) == set(other) and place < number)
            for place, other in enumerate(known)
        )
    ]
