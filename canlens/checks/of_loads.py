"""Checks: whether level, flashing, current and voltage are as planned.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import Said, called, terminal

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def wrong_level(output: Output, *found: Deviation) -> Said:
    """wrong-level: an output is brighter or darker than planned, by day or by night.

    Looks for
        Steady stretches – rule and output on, light unchanged, not flashing – whose median level lies outside the
        planned level ± tolerance.
    Why it matters
        A lamp that is not dimmed at night dazzles; one that is dimmed by day is not seen.
    Evidence
        Planned and measured level; the log line at which each such stretch begins.
    Cannot tell
        How bright the lamp is: the level is the controller's word.
    Next step
        Correct the level in the controller's configuration; check that day and night are told apart by the right
        control.
    """
    (level,) = found
    light = level.kind.rpartition("-")[2]
    unit = output.level.definition.unit if output.level else ""
    seen, wanted = (f"{value:.4g} {unit}".strip() for value in (np.median(level.least), level.planned))
    return Said(
        claim=f"{called(output)} stands at {seen} by {light}; planned is {wanted}.",
        cannot_tell="How bright the lamp really is; the level is what the controller says.",
        next_step=f"Correct the level by {light} of {output.name} in the controller's configuration.",
        would_change=f"A level of {wanted} ± {output.level_tolerance:g} by {light}.",
    )


def wrong_flashing(output: Output, *found: Deviation) -> Said:
    """wrong-flashing: an output should flash and does not, or not at the planned rate.

    Looks for
        Stretches in which rule and flash condition are both on, long enough for two flashes, whose frequency lies
        outside the planned one ± tolerance. Nothing is said where messages come too seldom to show a flash.
    Why it matters
        A lamp that does not flash with the horn does half of its job; too fast may not be lawful: check the local
        code.
    Evidence
        Planned and measured frequency; the log line at which each such stretch begins.
    Cannot tell
        Whether the lamp itself can follow.
    Next step
        Correct flashing in the controller's configuration, then hold the control for three seconds.
    """
    seen_hz = float(np.median(found[0].least))
    seen = f"flashes at {seen_hz:.2g} Hz" if seen_hz else "does not flash"
    planned = f"planned is {output.flash_hz:g} Hz"
    return Said(
        claim=f"{called(output)} {seen} while '{output.flash_when}' is on; {planned}.",
        cannot_tell="Whether the lamp itself follows the command.",
        next_step=f"Correct the flashing of {output.name} in the controller's configuration.",
        would_change=f"Flashing at {output.flash_hz:g} ± {output.flash_tolerance_hz:g} Hz.",
    )


def over_current(output: Output, *found: Deviation) -> Said:
    """over-current: the current of an output passes its limit.

    Looks for
        Current above ``peak_a`` at any time; current above ``continuous_a`` for longer than ``peak_s`` (for a
        second where the plan gives no peak time).
    Why it matters
        The controller will cut the output off, at once or when it is hot; wire and fuse were chosen for less.
    Evidence
        The highest current; log lines at which a limit was passed.
    Cannot tell
        Inrush shorter than the message's interval, and whether the load, its wire or a short draws the current.
    Next step
        Measure the load's current with a clamp; compare with its label and with the wire's fuse.
    """
    limits = [f"{output.continuous_a:g} A continuously"] if output.continuous_a is not None else []
    if output.peak_a is not None:
        limits.append(f"{output.peak_a:g} A" + (f" for {output.peak_s:g} s" if output.peak_s is not None else ""))
    drew = f"drew up to {found[0].most.max():.3g} A"
    return Said(
        claim=f"{called(output)} {drew}; its limit is {' or '.join(limits)}.",
        cannot_tell="Whether the load, its wire or a short draws it; and inrush shorter than one message interval.",
        next_step=f"Measure the current of {output.name} with a clamp meter and compare it with the load's label.",
        would_change=f"A recording in which {output.name} stays below {' and '.join(limits)}.",
    )


def dead_load(output: Output, *found: Deviation) -> Said:
    """dead-load: an output is commanded on, but no current flows or there is no voltage.

    Looks for
        Steady stretches of the command in which the reported current stays below a tenth of the accessory's label
        current (0.05 A without a label), or the reported voltage below 3 V.
    Why it matters
        The controller did its part; what hangs on the output does not.
    Evidence
        Log lines at which such stretches begin.
    Cannot tell
        Whether the wire, the load or its ground is open; small LED lamps may draw less than the controller can
        sense.
    Next step
        Measure the voltage at the load's own two pins while the output is on.
    """
    is_fed = all(each.kind != "no-voltage" for each in found)
    what = "no current flows" if is_fed else "there is no voltage"
    label = f" (its label says {output.load_a:g} A)" if output.load_a and is_fed else ""
    place = f"at {output.terminal}" if output.terminal else "at the controller's terminal"
    return Said(
        claim=f"{called(output)} is commanded on, but {what}{label}.",
        cannot_tell="Whether the wire, the load or its ground is open.",
        next_step=f"Measure the voltage at the load's two pins while {output.name} is on; then {place}.",
        would_change=f"Current flowing whenever {output.name} is commanded on.",
    )


def stray_current(output: Output, *_found: Deviation) -> Said:
    """stray-current: current flows although the output is commanded off.

    Looks for
        Steady stretches with the command off in which the reported current stays above a fifth of the accessory's
        label current (0.5 A without a label).
    Why it matters
        The switch does not open, or the reading is wrong: either way the command alone proves nothing.
    Evidence
        Log lines at which such stretches begin.
    Cannot tell
        Whether the switch is stuck or the current sense is off.
    Next step
        Measure the voltage at the output while it is commanded off.
    """
    return Said(
        claim=f"{called(output)} draws current while it is commanded off.",
        cannot_tell="Whether the switch is stuck or the current reading is wrong.",
        next_step=f"Measure the voltage {terminal(output)} while it is commanded off.",
        would_change="No current while the command is off.",
    )
