"""Rule: a condition over controls, ``horn and not (brake_front or brake_rear)``, in three-valued logic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

States = npt.NDArray[np.int8]
"""int8: 1 on, 0 off, -1 unknown."""

OFF, ON, UNKNOWN = 0, 1, -1


@dataclass(frozen=True)
class Rule:
    """An expression over the names of controls.

    Attributes
    ----------
    text
        As written in the plan.
    controls
        Names in the expression, each once, in order of appearance.
    """

    text: str
    controls: tuple[str, ...]

    def evaluate(self, states: Mapping[str, States]) -> States:
        """Return the rule's state for each position of the controls' states (Kleene logic: unknown where it matters)."""
        raise NotImplementedError

    def same_as(self, other: Rule) -> bool:
        """Return whether both rules have the same truth table over all controls that either names."""
        raise NotImplementedError

    def with_fixed(self, control: str, *, state: int) -> Rule:
        """Return the rule with one control held on (1) or off (0)."""
        raise NotImplementedError
