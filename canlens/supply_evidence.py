"""Supply evidence: when the controller fell silent and returned, and what its supply did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.signals import Floats


@dataclass(frozen=True)
class Aligned:
    """How the restarts of the controller go with one output's turning on.

    Attributes
    ----------
    output
        Its name.
    turn_ons, followed
        How often it turned on or was asked to, and how many of these a restart followed.
    restarts
        How many restarts came just after it turned on, or after the restart before while it was still asked for.
    likelihood
        How much more probable the restarts are if this output causes them than if they come at any time, as a factor.
    """

    output: str
    turn_ons: int
    followed: int
    restarts: int
    likelihood: float


@dataclass(frozen=True, eq=False)
class SupplyEvidence:
    """When the controller fell silent and returned, and what its supply did.

    Attributes
    ----------
    restarts_s
        float64 (k, 2): last message before each silence and first one after it [s]; others were heard meanwhile.
    aligned
        For each output that turned on.
    lowest_v, usual_v
        Lowest and median reported supply [V]; None where none is reported.
    is_sagging
        Whether it fell below the plan's limit, or by more than two volts for a moment while an output was on.
    """

    restarts_s: Floats
    aligned: tuple[Aligned, ...] = ()
    lowest_v: float | None = None
    usual_v: float | None = None
    is_sagging: bool = False
