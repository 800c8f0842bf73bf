"""canlens: prove that a CAN accessory controller does what it should, or find the link that is broken.

>>> import canlens
>>> plan = canlens.read_plan("traces/quernholt.toml")
>>> checkup = canlens.check(plan, canlens.read_trace("traces/quernholt-healthy.log.gz"))
>>> checkup.verdict
'proven'
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.baseline_file import read_baseline
    from canlens.checkup import Checkup, check
    from canlens.comparison import Comparison, compare
    from canlens.database import Database, read_database
    from canlens.discovery import Discovery, discover
    from canlens.errors import CanlensError
    from canlens.nouns.baselines import Baseline
    from canlens.overview import Survey, survey
    from canlens.plan import (
        Marks,
        Observed,
        Plan,
        Readings,
        read_marks,
        read_observed,
        read_plan,
        read_readings,
    )
    from canlens.readers import read_trace
    from canlens.rehearsal import Rehearsal, rehearse
    from canlens.trace import Trace

__all__ = [
    "Baseline",
    "CanlensError",
    "Checkup",
    "Comparison",
    "Database",
    "Discovery",
    "Marks",
    "Observed",
    "Plan",
    "Readings",
    "Rehearsal",
    "Survey",
    "Trace",
    "check",
    "compare",
    "discover",
    "read_baseline",
    "read_database",
    "read_marks",
    "read_observed",
    "read_plan",
    "read_readings",
    "read_trace",
    "rehearse",
    "survey",
]

_NAMES = {
    "baseline_file": ("read_baseline",),
    "checkup": ("Checkup", "check"),
    "comparison": ("Comparison", "compare"),
    "database": ("Database", "read_database"),
    "discovery": ("Discovery", "discover"),
    "errors": ("CanlensError",),
    "nouns.baselines": ("Baseline",),
    "overview": ("Survey", "survey"),
    "plan": ("Marks", "Observed", "Plan", "Readings", "read_marks", "read_observed", "read_plan", "read_readings"),
    "readers": ("read_trace",),
    "rehearsal": ("Rehearsal", "rehearse"),
    "trace": ("Trace",),
}
_HOMES = {name: f"canlens.{module}" for module, names in _NAMES.items() for name in names}
"""Where each public name lives; it is imported when it is first asked for, so that a command loads what it needs."""


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'canlens' has no attribute {name!r}")
    value: object = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
