"""One ``[outputs.NAME]`` of a plan → :class:`canlens.plan.Output`."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canlens.plan.nouns import DEFAULT_WITHIN_S, Condition, Output

if TYPE_CHECKING:
    from canlens.plan.control_names import ControlNames
    from canlens.plan.mistakes import Keys, Mistakes
    from canlens.plan.signal_paths import Signals
    from canlens.plan.toml_shape import OutputShape

LEAST_TOLERANCE_S = 0.5
"""Tolerance of run-on and cut-off where a plan names none [s] (the plan format's default)."""
TOLERANCE_RATIO = 0.05
"""The same for long times, as a ratio of the time; the larger of both counts."""
LEVEL_TOLERANCE = 5.0
"""Tolerance of a level where a plan names none, in the unit of its signal (the plan format's default)."""
FLASH_TOLERANCE_RATIO = 0.2
"""Tolerance of the flash rate where a plan names none (the plan format's default)."""

_COMPANIONS = (
    ("on", ("command", "level")),
    ("above", ("command", "level")),
    ("below", ("command", "level")),
    ("unknown", ("command", "level")),
    ("run_on_tolerance_s", ("run_on_s",)),
    ("cut_after_tolerance_s", ("cut_after_s",)),
    ("level_day", ("level",)),
    ("level_night", ("level",)),
    ("level_night", ("night",)),
    ("level_tolerance", ("level",)),
    ("night", ("level",)),
    ("flash_hz", ("flash_when",)),
    ("flash_tolerance_hz", ("flash_hz",)),
    ("peak_a", ("peak_s",)),
    ("peak_s", ("peak_a",)),
)
"""Keys that mean nothing without (one of) the others."""


def build_output(
    name: str, shape: OutputShape, *, controls: ControlNames, signals: Signals, mistakes: Mistakes
) -> Output | None:
    """Return the output, or None if its rule is wrong; mistakes are noted.

    An output without ``command`` but with ``level`` is judged by its level: on while the level is above 0, or
    as ``on``, ``above``, ``below`` and ``unknown`` say.
    """
    keys = ("outputs", name)
    _check_companions(keys, shape, mistakes)
    if shape.peak_a is not None and shape.continuous_a is not None and shape.peak_a < shape.continuous_a:
        expected = f"at least continuous_a ({shape.continuous_a:g})"
        mistakes.add((*keys, "peak_a"), expected, f"{shape.peak_a:g}")
    rule = controls.rule((*keys, "when"), shape.when)
    flash_when = controls.rule((*keys, "flash_when"), shape.flash_when)
    night = controls.control((*keys, "night"), shape.night)
    level = signals.reference((*keys, "level"), shape.level)
    current = signals.reference((*keys, "current"), shape.current)
    voltage = signals.reference((*keys, "voltage"), shape.voltage)
    command = _command(keys, shape, signals)
    if rule is None:
        return None
    output = Output(
        name,
        rule,
        load=shape.load or "",
        terminal=shape.terminal or "",
        safety=shape.safety,
        command=command,
        within_s=DEFAULT_WITHIN_S if shape.within_s is None else shape.within_s,
        min_exercises=shape.min_exercises,
        night=night,
        flash_when=flash_when,
        level=level,
        current=current,
        voltage=voltage,
    )
    return _with_limits(_with_timers(_with_light(output, shape), shape), shape)


def _with_timers(output: Output, shape: OutputShape) -> Output:
    """Return the output with its run-on and its cut-off."""
    return replace(
        output,
        run_on_s=shape.run_on_s or None,
        run_on_tolerance_s=_time_tolerance(shape.run_on_tolerance_s, shape.run_on_s),
        cut_after_s=shape.cut_after_s,
        cut_after_tolerance_s=_time_tolerance(shape.cut_after_tolerance_s, shape.cut_after_s),
    )


def _with_light(output: Output, shape: OutputShape) -> Output:
    """Return the output with its levels and its flash rate."""
    return replace(
        output,
        level_day=shape.level_day,
        level_night=shape.level_night,
        level_tolerance=LEVEL_TOLERANCE if shape.level_tolerance is None else shape.level_tolerance,
        flash_hz=shape.flash_hz,
        flash_tolerance_hz=_flash_tolerance(shape),
    )


def _with_limits(output: Output, shape: OutputShape) -> Output:
    """Return the output with the limits of its current and with what its load draws."""
    return replace(
        output,
        continuous_a=shape.continuous_a,
        peak_a=shape.peak_a,
        peak_s=shape.peak_s,
        load_a=shape.load_a,
    )


def _check_companions(keys: Keys, shape: OutputShape, mistakes: Mistakes) -> None:
    """Note keys that stand without the key that gives them a meaning."""
    for key, companions in _COMPANIONS:
        has_key = getattr(shape, key) not in {None, ()}
        has_companion = any(getattr(shape, other) is not None or (*keys, other) in mistakes for other in companions)
        if has_key and not has_companion:
            needed = " or ".join(companions)
            mistakes.add((*keys, key), f"the key {needed} beside it", f"{key} without it")


def _command(keys: Keys, shape: OutputShape, signals: Signals) -> Condition | None:
    """Return when the output counts as on: by its command, else by its level."""
    if shape.command is not None:
        return signals.condition((*keys, "command"), shape.command, shape)
    if shape.on is None and shape.above is None and shape.below is None:
        shape = shape.model_copy(update={"above": 0.0})
    return signals.condition((*keys, "level"), shape.level, shape)


def _time_tolerance(given: float | None, time_s: float | None) -> float:
    """Return the tolerance of a time [s]: as given, else the default; 0 where there is no time."""
    if given is not None:
        return given
    return max(LEAST_TOLERANCE_S, TOLERANCE_RATIO * time_s) if time_s else 0.0


def _flash_tolerance(shape: OutputShape) -> float:
    """Return the tolerance of the flash rate [Hz]: as given, else the default; 0 where there is no rate."""
    if shape.flash_tolerance_hz is not None:
        return shape.flash_tolerance_hz
    return FLASH_TOLERANCE_RATIO * (shape.flash_hz or 0.0)
