"""Level and flashing: how bright an output is by day and by night, and how fast it flashes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import FlashEvidence, LevelEvidence, Steps, Track
from canlens.measures.stretches import medians, runs
from canlens.measures.tracks import changes_on_the_beat
from canlens.plan.rule import ON

if TYPE_CHECKING:
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

PERIODS_NEEDED = 2.0
"""A stretch shorter than this many of the slowest flashes allowed, and a row at each end, shows no frequency: it may
hold a single rise."""
ROWS_PER_FLASH = 2.5
"""Fewer rows in a flash than this cannot show it (two is the sampling limit; a little more lets a count settle)."""
PAUSE_FACTOR = 1.5
"""A dark moment longer than this many usual ones is a pause, not part of the flashing."""


def level(
    rows: tuple[Floats, Floats, Ints],
    *,
    on: Bools,
    wanted: float,
    tolerance: float,
) -> LevelEvidence:
    """Compare the median level of each steady stretch with the planned one.

    Parameters
    ----------
    rows
        Time [s], value and line of the level's rows, (n,) each.
    on
        bool (n,): rows at which the output is on, settled and not flashing, in the wanted light.
    wanted, tolerance
        As planned, in the signal's unit.

    Returns
    -------
    LevelEvidence
        ``medians`` is empty where there is no such stretch.
    """
    time_s, value, line = rows
    starts, stops = runs(on & ~np.isnan(value))
    levels = medians(value, starts, stops)
    wrong = np.abs(levels - wanted) > tolerance
    return LevelEvidence(wanted, levels, Steps(line[starts][wrong], time_s[starts][wrong]))


def flash(
    rows: tuple[Floats, Floats, Ints],
    *,
    interval_s: float,
    flashing: Track,
    wanted_hz: float,
    tolerance_hz: float,
    settle_s: float,
) -> FlashEvidence:
    """Measure the flash frequency in each stretch in which the output should flash.

    Parameters
    ----------
    rows
        Time [s], value and line of the level's (or the command's) rows, (n,) each.
    interval_s
        Typical interval of the rows [s].
    flashing
        On while the output should flash.
    wanted_hz, tolerance_hz
        As planned [Hz]. One row's interval in the stretch is allowed on top, since a flash is seen at rows only.
    settle_s
        How long after the start of a stretch to wait [s].

    Returns
    -------
    FlashEvidence
        Frequency 0 where nothing flashed; ``too_coarse`` where the rows come too seldom to show flashes at all. Rows
        that are sent on the change itself show every flash, however seldom they come otherwise.
    """
    time_s, value, line = rows
    starts = np.flatnonzero(flashing.state == ON)
    ends_s = np.append(flashing.time_s[1:], flashing.end_s)
    slowest_hz = max(wanted_hz - tolerance_hz, wanted_hz / 2)
    changes = np.flatnonzero(value[1:] != value[:-1]) + 1
    apart_s = time_s[changes] - time_s[changes - 1]
    at_once = len(changes) > 0 and not changes_on_the_beat(apart_s, interval_s, rows=len(time_s))
    interval_s = 0.0 if at_once else interval_s
    need_s = PERIODS_NEEDED / slowest_hz + 2 * interval_s
    too_coarse = interval_s * wanted_hz * ROWS_PER_FLASH > 1
    frequency, wrong_at = [], []
    for start in starts:
        begin_s, end_s = flashing.time_s[start] + settle_s, ends_s[start]
        inside = slice(*np.searchsorted(time_s, [begin_s, end_s]))
        if end_s - begin_s < need_s or (inside.start == inside.stop and not at_once):
            continue
        found_hz, error_hz = _frequency(time_s[inside], value[inside])
        frequency.append(found_hz)
        if abs(found_hz - wanted_hz) > tolerance_hz + error_hz and not too_coarse:
            wrong_at.append(min(inside.start, len(line) - 1))
    at = np.array(wrong_at, np.intp)
    return FlashEvidence(np.array(frequency), Steps(line[at], time_s[at]), len(frequency), too_coarse)


def _frequency(time_s: Floats, value: Floats) -> tuple[float, float]:
    """Count rises through the middle of the value's range: frequency [Hz] and the error that one row makes [Hz]."""
    if len(value) < 2 or np.ptp(value) == 0:  # noqa: PLR2004 – two rows make a step
        return 0.0, 0.0
    high = value > (value.min() + value.max()) / 2
    rise_s = time_s[1:][high[1:] & ~high[:-1]]
    if len(rise_s) < 2:  # noqa: PLR2004 – two rises make a period
        return 0.0, 0.0
    span_s = rise_s[-1] - rise_s[0]
    found_hz = (len(rise_s) - 1) / span_s
    return float(found_hz), float(found_hz * np.median(np.diff(time_s)) / span_s)


def bridged(output: Track, flashing: Track, *, longest_s: float) -> Track:
    """Return the track of an output without the dark moments of its flashing.

    Parameters
    ----------
    output
        Its state over time.
    flashing
        State of the flash condition: dark moments begin while it holds.
    longest_s
        They are no longer than this, nor half as long again as most of them, so that pauses stay [s].
    """
    falls, rises = output.falls, output.rises
    after = np.searchsorted(rises, falls)
    paired = after < len(rises)
    falls, rises = falls[paired], rises[after[paired]]
    dark_s = output.time_s[rises] - output.time_s[falls]
    short = (rises == falls + 1) & (dark_s <= longest_s) & (flashing.at(output.time_s[falls]) == ON)
    if not short.any():
        return output
    short &= dark_s <= PAUSE_FACTOR * np.median(dark_s[short])
    keep = np.ones(len(output.time_s), bool)
    keep[falls[short]] = keep[rises[short]] = False
    columns = (output.time_s[keep], output.state[keep], output.line[keep], output.before_s[keep])
    return Track(*columns, output.end_s, output.rows_s, output.slack_s)
