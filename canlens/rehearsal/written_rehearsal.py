"""Written rehearsal: a rehearsal → the files that the person would have, and one that tells the truth."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from canlens.rehearsal.candump_text import candump_text
from canlens.rehearsal.written_plan import marks_text, observed_text, readings_text

if TYPE_CHECKING:
    from canlens.rehearsal.nouns import Rehearsal, Truth

RECORDING, MARKS, READINGS, OBSERVED, TRUTH = (
    "recording.log",
    "marks.csv",
    "readings.toml",
    "observed.csv",
    "truth.toml",
)


def rehearsal_files(rehearsal: Rehearsal) -> dict[str, str]:
    """Return the text of each file by name; observations only where there are some."""
    files = {
        RECORDING: candump_text(rehearsal.trace),
        MARKS: marks_text(rehearsal.marks),
        READINGS: readings_text(rehearsal.readings),
        TRUTH: truth_text(rehearsal.truth),
    }
    if rehearsal.observed:
        files[OBSERVED] = observed_text(rehearsal.observed)
    return files


def truth_text(truth: Truth) -> str:
    """Write what is behind a rehearsal as TOML."""
    lines = [f"seed = {truth.seed}", "", "[rules]"]
    lines += [f"{name} = {json.dumps(rule)}" for name, rule in truth.rules.items()]
    for fault in truth.faults:
        lines += ["", "[[faults]]", f'cause = "{fault.cause}"', f'scope = "{fault.scope}"']
        lines += [f"subject = {json.dumps(list(fault.subject))}", f"strength = {fault.strength:.4f}"]
        lines.append(f"detail = {json.dumps(fault.detail, ensure_ascii=False)}")
    return "\n".join([*lines, ""])
