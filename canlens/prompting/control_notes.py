"""Control notes: what a person must know of a plan's controls to operate them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.prompting.nouns import ControlNote
from canlens.rehearsal.needs import outputs_of

if TYPE_CHECKING:
    from canlens.plan import Condition, Control, Plan


def control_note(plan: Plan, control: Control) -> ControlNote:
    """Return what is to be known of one control."""
    ruled = [output for output in outputs_of(plan, control.name) if control.name in output.when.controls]
    items = [output.safety for output in ruled if output.safety is not None]
    return ControlNote(
        control.name,
        meaning_of(control.condition),
        outputs=tuple(output.name for output in ruled),
        watch=tuple(output.name for output in ruled if output.command is None and output.level is None),
        safety=items[0] if items else None,
    )


def meaning_of(condition: Condition) -> str:
    """Say when a signal counts as on."""
    unit = f" {condition.reference.definition.unit}" if condition.reference.definition.unit else ""
    table = condition.reference.definition.table
    values = [*(str(table[raw]) for raw in condition.on_raw), *(f"{value:g}{unit}" for value in condition.on_values)]
    limits = [
        f"{word} {limit:g}{unit}"
        for word, limit in (("above", condition.above), ("below", condition.below))
        if limit is not None
    ]
    said = " or ".join(values) or " and ".join(limits) or "not 0"
    return f"on while {condition.reference.path} is {said}"
