"""Loads: the current and voltage that the controller reports for an output, against its command and its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.evidence import LoadEvidence, Steps, Track
from canlens.measures.stretches import calm, medians, runs, steady
from canlens.measures.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.measures.tracks import Rhythm
    from canlens.plan import Output
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools

SETTLE_S = 0.3
"""Inrush of filament lamps is over after some tens of milliseconds, a motor's after a few tenths (common practice)."""
OPEN_SHARE = 0.1
"""Less than this share of the accessory's label current is no load (our choice; lamps dimmed to a tenth draw as
little)."""
OPEN_A = 0.05
"""Without a label current: less than this is no load [A] (our choice, the resolution of usual current senses)."""
OFF_SHARE = 0.2
OFF_A = 0.5
"""More than this share of the label current, or without label this current, must not flow while the output is off."""
DEAD_V = 3.0
"""Below half of the lowest supply that 12 V equipment must bear (6 V, ISO 16750-2:2010 code A) there is no voltage
[V]."""
CONTINUOUS_S = 1.0
"""Without a planned peak time, a current above the continuous limit for longer than this is an over-current [s]."""


def load(
    output: Output,
    track: Track,
    current: Signal | None,
    voltage: Signal | None,
    *,
    flashing: Track | None = None,
    rhythm_of: Callable[[Signal], Rhythm],
) -> LoadEvidence:
    """Compare reported current and voltage with the command and the limits of the plan.

    Parameters
    ----------
    output
        Its ``continuous_a``, ``peak_a``, ``peak_s`` and ``load_a`` are the limits; absent ones are not judged.
    track
        State of the command.
    current, voltage
        Decoded signals [A], [V]; None where the plan names none.
    flashing
        While it is on, nothing is settled.
    rhythm_of
        The rhythm of a signal's rows.

    Returns
    -------
    LoadEvidence
    """
    none = Steps.none()
    on_a = highest = np.nan
    over_peak = over_continuous = no_current = when_off = no_voltage = none
    if current is not None and len(current):
        amps = current.value
        on, off = _settled(track, flashing, rhythm_of(current))
        highest = float(np.nanmax(amps)) if not np.isnan(amps).all() else np.nan
        flowing = amps[on & ~np.isnan(amps)]
        on_a = float(np.median(flowing)) if len(flowing) else np.nan
        if output.peak_a is not None:
            over_peak = _at(current, amps > output.peak_a)
        if output.continuous_a is not None:
            allowed_s = output.peak_s if output.peak_s is not None else CONTINUOUS_S
            over_continuous = _too_long(current, amps > output.continuous_a, allowed_s)
        open_a = OPEN_SHARE * output.load_a if output.load_a else OPEN_A
        off_a = OFF_SHARE * output.load_a if output.load_a else OFF_A
        no_current = _medians_that(current, on, lambda median: median < open_a)
        when_off = _medians_that(current, off, lambda median: median > off_a)
    if voltage is not None and len(voltage) and output.level is None:
        on, _ = _settled(track, flashing, rhythm_of(voltage))
        no_voltage = _medians_that(voltage, on, lambda median: median < DEAD_V)
    return LoadEvidence(
        on_current_a=on_a,
        highest_a=highest,
        over_peak=over_peak,
        over_continuous=over_continuous,
        no_current=no_current,
        no_voltage=no_voltage,
        current_when_off=when_off,
        has_current=current is not None and len(current) > 0,
        has_voltage=voltage is not None and len(voltage) > 0,
    )


def _settled(track: Track, flashing: Track | None, rhythm: Rhythm) -> tuple[Bools, Bools]:
    """Tell at which rows the output has been on, or off, long enough for the reading to have settled."""
    time_s = rhythm.time_s
    settle_s = SETTLE_S + track.slack_s + rhythm.interval_s
    quiet = calm(flashing, time_s, settle_s)
    return steady(track, ON, time_s, settle_s) & quiet, steady(track, OFF, time_s, settle_s) & quiet


def _at(signal: Signal, mask: Bools) -> Steps:
    """Return the first row of each run of true rows."""
    starts, _ = runs(mask)
    return Steps(signal.line[starts], signal.time_s[starts])


def _too_long(signal: Signal, mask: Bools, allowed_s: float) -> Steps:
    """Return the first row of each run of true rows that lasts longer than allowed."""
    starts, stops = runs(mask)
    kept = starts[signal.time_s[stops - 1] - signal.time_s[starts] > allowed_s + ROUNDING_S]
    return Steps(signal.line[kept], signal.time_s[kept])


def _medians_that(signal: Signal, mask: Bools, is_wrong: Callable[[Floats], Bools]) -> Steps:
    """Return the first row of each run of true rows whose median value is wrong: above a limit, or below one."""
    starts, stops = runs(mask)
    before = np.append(0, np.cumsum(is_wrong(signal.value)))
    wrong = before[stops] - before[starts]
    is_kept = wrong == stops - starts
    mixed = np.flatnonzero((wrong > 0) & ~is_kept)  # only there need the median be known to tell its side of the limit
    is_kept[mixed] = is_wrong(medians(signal.value, starts[mixed], stops[mixed]))
    return Steps(signal.line[starts[is_kept]], signal.time_s[starts[is_kept]])
