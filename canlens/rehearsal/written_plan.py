"""Written plan, marks, readings and observations: nouns → the files that a person would have written."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from canlens.plan import Mark, Observation, Readings


def readings_text(readings: Readings) -> str:
    """Write what the meter showed as TOML."""
    return "".join(f"{name} = {one.value:g}\n" for name, one in readings.values.items())


def marks_text(marks: Iterable[Mark]) -> str:
    """Write what the person noted as CSV."""
    rows = [
        f"{mark.time_s:.2f},{mark.label}," + (f"{mark.until_s:.2f}" if mark.until_s is not None else "")
        for mark in marks
    ]
    return "\n".join(["time_s,label,until_s", *rows, ""])


def observed_text(observed: Iterable[Observation]) -> str:
    """Write what eye and ear saw as CSV."""
    rows = [f"{one.time_s:.2f},{one.output},{int(one.on)}" for one in observed]
    return "\n".join(["time_s,output,on", *rows, ""])
