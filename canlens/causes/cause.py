"""Candidate: one cause of the catalogue, with its manual page and the way it reads the evidence."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from canlens.evidence import Evidence
    from canlens.findings import Cause, Scope

CERTAIN = 1.0
"""A cause that only names what is absent is certain where it is absent."""


@dataclass(frozen=True)
class Candidate:
    """One cause of the catalogue.

    Attributes
    ----------
    name, scope
        As results bear them.
    weigh
        From evidence to the places where this cause may be at work, each with its probability.
    """

    name: str
    scope: Scope
    weigh: Callable[[Evidence], Iterator[Cause]]

    @property
    def manual(self) -> str:
        """The manual page: the docstring of the file that holds the cause."""
        return sys.modules[self.weigh.__module__].__doc__ or ""
