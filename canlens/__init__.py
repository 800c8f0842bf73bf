"""canlens: prove that a CAN accessory controller does what it should, or find the link that is broken."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.baseline_file import load_baseline as read_baseline
    from canlens.checkup import make_checkup as check
    from canlens.comparison import make_comparison as compare
    from canlens.database import load_database as read_database
    from canlens.discovery import make_discovery as discover
    from canlens.overview import make_survey as survey
    from canlens.plan import load_marks as read_marks
    from canlens.plan import load_observed as read_observed
    from canlens.plan import load_plan as read_plan
    from canlens.plan import load_readings as read_readings
    from canlens.readers import open_trace as read_trace
    from canlens.rehearsal import make_rehearsal as rehearse

__all__ = [
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

_HOMES = {
    "check": ("canlens.checkup", "make_checkup"),
    "compare": ("canlens.comparison", "make_comparison"),
    "discover": ("canlens.discovery", "make_discovery"),
    "read_baseline": ("canlens.baseline_file", "load_baseline"),
    "read_database": ("canlens.database", "load_database"),
    "read_marks": ("canlens.plan", "load_marks"),
    "read_observed": ("canlens.plan", "load_observed"),
    "read_plan": ("canlens.plan", "load_plan"),
    "read_readings": ("canlens.plan", "load_readings"),
    "read_trace": ("canlens.readers", "open_trace"),
    "rehearse": ("canlens.rehearsal", "make_rehearsal"),
    "survey": ("canlens.overview", "make_survey"),
}
"""Where each public name lives; it is imported when it is first asked for."""


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'canlens' has no attribute {name!r}")
    module, attribute = _HOMES[name]
    value: object = getattr(import_module(module), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
