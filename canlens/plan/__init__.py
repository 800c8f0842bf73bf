"""The bring-up plan and what belongs to one job: marks, readings and observations."""

from canlens.plan.nouns import (
    Bus,
    Condition,
    Control,
    Controller,
    Mark,
    Observation,
    Output,
    Plan,
    Reading,
    Readings,
    SignalReference,
)
from canlens.plan.rule import Rule

__all__ = [
    "Bus",
    "Condition",
    "Control",
    "Controller",
    "Mark",
    "Observation",
    "Output",
    "Plan",
    "Reading",
    "Readings",
    "Rule",
    "SignalReference",
]
