"""Outputs: controls, rules, answers, timers and loads, measured against the plan."""
