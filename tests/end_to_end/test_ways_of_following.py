"""Outputs that latch, pulse, wait, stay on or fade: an install that does so is rehearsed, and proven."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from canlens import check, rehearse
from tests.drawn.installs import draw_plan

WAYS: dict[str, Any] = {
    "latch": True,
    "pulse_s": 2.0,
    "min_on_s": 3.0,
    "delay_s": 1.5,
    "off_within_s": 2.0,
    "soft_s": 1.5,
}
SEEDS = (1, 3, 4)
"""Plans with an output that has nothing but a rule and a command."""


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("key", WAYS)
def test_a_healthy_install_is_proven(seed: int, key: str) -> None:
    drawn, _ = draw_plan(seed)
    name = next(
        name
        for name, each in drawn.outputs.items()
        if each.command is not None and not (each.run_on_s or each.cut_after_s or each.level or each.flash_hz)
    )
    own = replace(drawn.outputs[name], **{key: WAYS[key]})
    plan = replace(drawn, outputs={**drawn.outputs, name: own})
    recording = rehearse(plan, seed=seed)
    found = check(plan, recording.trace, marks=recording.marks).result.outputs[name]
    assert found.verdict == "proven", found.reason
    as_drawn = check(drawn, recording.trace, marks=recording.marks).result.outputs[name]
    assert as_drawn.verdict == "failed"
