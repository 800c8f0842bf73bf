"""Words: what the sentences of a test need to name."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canlens.evidence import Evidence


def output_words(evidence: Evidence, name: str, *, other: str = "", rule: str = "") -> dict[str, str]:
    """Return the words that concern one output."""
    output = evidence.plan.outputs[name]
    controls = output.when.controls
    return {
        **bus_words(evidence),
        "output": name,
        "terminal": output.terminal or f"the terminal of {name}",
        "load": output.load or f"the load of {name}",
        "control": " and ".join(controls),
        "rule": str(output.when),
        "other": other or "the other output",
        "follows": rule or "another control",
        "within": f"{output.within_s:g} s",
        "run_on": f"{output.run_on_s or 0:g} s",
        "cut_off": f"{output.cut_after_s or 0:g} s",
    }


def bus_words(evidence: Evidence, **more: str) -> dict[str, str]:
    """Return the words that concern the bus and the controller."""
    plan = evidence.plan
    return {
        "node": plan.controller.node or "the controller",
        "output": "the output",
        "ignition": plan.bus.awake_while or "the ignition",
        "message": "the message",
        "control": "the control",
        "identifier": "the first identifier",
        **more,
    }
