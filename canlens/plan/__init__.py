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
from canlens.plan.tables import check_marks, check_observed, load_marks, load_observed
from canlens.plan.toml_plan import load_plan
from canlens.plan.toml_readings import load_readings, readings_schema

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
    "load_marks",
    "load_observed",
    "load_plan",
    "load_readings",
    "parse_rule",
    "plan_schema",
    "readings_schema",
]
