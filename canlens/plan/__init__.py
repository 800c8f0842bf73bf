"""The bring-up plan and what belongs to one job: marks, readings and observations."""

from __future__ import annotations

from canlens.plan.nouns import (
    Bus,
    Condition,
    Control,
    Controller,
    Mark,
    Marks,
    Observation,
    Observed,
    Output,
    Plan,
    Reading,
    Readings,
    SignalReference,
)
from canlens.plan.rule import Rule, parse_rule
from canlens.plan.shape import plan_schema
from canlens.plan.tables import check_marks, check_observed, read_marks, read_observed
from canlens.plan.toml_plan import read_plan
from canlens.plan.toml_readings import read_readings, readings_schema

__all__ = [
    "Bus",
    "Condition",
    "Control",
    "Controller",
    "Mark",
    "Marks",
    "Observation",
    "Observed",
    "Output",
    "Plan",
    "Reading",
    "Readings",
    "Rule",
    "SignalReference",
    "check_marks",
    "check_observed",
    "parse_rule",
    "plan_schema",
    "read_marks",
    "read_observed",
    "read_plan",
    "read_readings",
    "readings_schema",
]
