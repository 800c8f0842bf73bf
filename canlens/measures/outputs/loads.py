"""Loads and looks: current and voltage against command and limits, level by day and night, flashing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.tracks import changes_on_the_beat
from canlens.nouns.outputs import FlashEvidence, LevelEvidence, LoadEvidence, Places, Track
from canlens.nouns.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON

if TYPE_CHECKING:
    from collections.abc import Callable

    from canlens.measures.outputs.tracks import Rhythm
    from canlens.plan import Output
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools, Ints


# Stretches: runs of rows in which nothing changes, and the median of each.


def steady(track: Track, state: int, time_s: Floats, settle_s: float) -> Bools:
    """Tell at which times the track has surely been in a state for at least ``settle_s`` [s].

    A state that is only seen at rows is sure from its first row to its last one; where changes are sent at once, to the
    next change.

    Parameters
    ----------
    track, state
        What must have held.
    time_s
        float64 (n,): ascending [s].
    settle_s
        For how long [s].

    Returns
    -------
    bool (n,)
    """
    held = np.flatnonzero(track.state == state)
    next_s = track.before_s[1:] if track.slack_s else track.time_s[1:]
    ends_s = np.append(next_s, np.inf)
    return _inside(time_s, track.time_s[held] + settle_s, ends_s[held])


def calm(flashing: Track | None, time_s: Floats, settle_s: float) -> Bools:
    """Tell at which times the output has not been flashing for at least ``settle_s`` [s]; as :func:`steady`."""
    if flashing is None:
        return np.ones(len(time_s), bool)
    on = np.flatnonzero(flashing.state == ON)
    ends_s = np.append(flashing.time_s[1:], np.inf)
    return ~_inside(time_s, flashing.time_s[on], ends_s[on] + settle_s)


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Return start and stop (exclusive) of each run of true rows."""
    edge = np.diff(np.concatenate(([False], mask, [False])).astype(np.int8))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def medians(value: Floats, starts: Ints, stops: Ints) -> Floats:
    """Return the median of each run of rows; values that are no numbers do not count, a run without numbers gives nan.

    Examples
    --------
    >>> medians(np.array([1.0, 9.0, 2.0, 4.0]), np.array([0, 2]), np.array([2, 4])).tolist()
    [5.0, 3.0]
    """
    lengths = stops - starts
    run = np.repeat(np.arange(len(starts)), lengths)
    row = np.arange(len(run)) - np.repeat(np.cumsum(lengths) - lengths, lengths) + np.repeat(starts, lengths)
    known = ~np.isnan(value[row])
    numbers, run = value[row][known], run[known]
    ordered = numbers[np.lexsort((numbers, run))]
    count = np.bincount(run, minlength=len(starts))
    first = np.cumsum(count) - count
    if not len(ordered):
        return np.full(len(starts), np.nan)
    low = ordered[np.minimum(first + np.maximum(count - 1, 0) // 2, len(ordered) - 1)]
    high = ordered[np.minimum(first + count // 2, len(ordered) - 1)]
    return np.where(count > 0, (low + high) / 2, np.nan)


def _inside(time_s: Floats, begin_s: Floats, end_s: Floats) -> Bools:
    """Tell which of the ascending times lie in any span [begin, end); spans may overlap."""
    first = np.searchsorted(time_s, begin_s, "left")
    last = np.maximum(np.searchsorted(time_s, end_s, "left"), first)
    depth = np.zeros(len(time_s) + 1, np.int64)
    np.add.at(depth, first, 1)
    np.add.at(depth, last, -1)
    inside: Bools = np.cumsum(depth[:-1]) > 0
    return inside


# Level and flashing: how bright an output is by day and by night, and how fast it flashes.


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
    return LevelEvidence(wanted, levels, Places(line[starts][wrong], time_s[starts][wrong]))


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
        Frequency 0 where nothing flashed; not ``is_fine`` where the rows come too seldom to show flashes at all. Rows
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
    return FlashEvidence(np.array(frequency), Places(line[at], time_s[at]), len(frequency), not too_coarse)


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
    return Track(*columns, output.end_s, output.rows_s, output.slack_s, output.since_s[keep])


# Loads: the current and voltage that the controller reports for an output, against its command and its limits.


SETTLE_S = 0.5
"""Inrush of filament lamps is over after some tens of milliseconds, a motor's after a few tenths, and controllers send
currents up to 0.4 s behind the state (common practice)."""
OPEN_SHARE = 0.1
"""Less than this share of the accessory's label current is no load (our choice; lamps dimmed to a tenth draw as
little)."""
OPEN_A = 0.05
"""Without a label current: less than this is no load [A] (our choice, the resolution of usual current senses)."""
LABEL = 0.6, 1.5
"""A steady current outside these shares of the label is not the load on the label (our choice: labels are rounded, and
supply and temperature move a current by a quarter)."""
FEWEST_QUANTA = 2.0
"""A current of fewer steps of its signal than this cannot be told from none."""
MOST_ROWS = 0.9
"""A hold's current is held against the label where it flows in so many of its rows (our choice)."""
OFF_SHARE = 0.2
OFF_A = 0.5
"""More than this share of the label current, or without label this current, must not flow while the output is off."""
DEAD_V = 3.0
"""Below half of the lowest supply that 12 V equipment must bear (6 V, ISO 16750-2:2010 code A) there is no voltage
[V]."""
CONTINUOUS_S = 1.0
"""Without a planned peak time, a current above the continuous limit for longer than this is an over-current [s]."""
FEWEST_ROWS = 2
"""One row never decides: a hold with fewer settled rows says nothing of its current."""
FEWEST_ODD = 0.3
"""A current is not the label's where it is another in this share of the holds, or more (our choice)."""
GAP_S = 1.0
"""A contact or a protection breaks a current for less than this [s]; a thermostat or pressure switch for longer (our
choice)."""
FEWEST_STRAY = 5
"""Current while the output is off must be seen in so many rows together: a short press may have been lost."""


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
    """
    found = LoadEvidence()
    if current is not None and len(current):
        found = _currents(output, track, current, *_settled(track, flashing, rhythm_of(current)))
    if voltage is not None and len(voltage) and output.level is None:
        on, _ = _settled(track, flashing, rhythm_of(voltage))
        no_voltage = _holds_that(voltage, on, lambda median: median < DEAD_V)
        volts = voltage.value[on & ~np.isnan(voltage.value)]
        usual_v = float(np.median(volts)) if len(volts) >= FEWEST_ROWS else np.nan
        found = replace(found, has_voltage=True, no_voltage=no_voltage, on_voltage_v=usual_v)
    return found


def _currents(output: Output, track: Track, current: Signal, on: Bools, off: Bools) -> LoadEvidence:
    """Compare a current with command, label and limits; ``on`` and ``off`` are the rows in which it has settled."""
    amps, none = current.value, Places.none()
    known = ~np.isnan(amps)
    floor_a = float(np.median(amps[off & known])) if (off & known).any() else 0.0
    quantum_a = abs(current.definition.scale) if not current.definition.is_float else 0.0
    starts, stops = runs(on & known)
    long = stops - starts >= FEWEST_ROWS
    starts, stops = starts[long], stops[long]
    net_a = medians(amps, starts, stops) - min(floor_a, OPEN_A)
    open_a = OPEN_SHARE * output.load_a if output.load_a else OPEN_A
    too_coarse = output.load_a is not None and output.load_a < FEWEST_QUANTA * quantum_a
    flows = np.append(0, np.cumsum(amps - floor_a >= max(open_a, FEWEST_QUANTA * quantum_a)))
    some = flows[stops] - flows[_begins(track, current, starts)] >= FEWEST_ROWS
    dead = (net_a < open_a) & (not too_coarse)
    gaps_s = _gaps(current, (amps - floor_a < open_a) & (not too_coarse), starts, stops, allowed=output.retries or 0)
    if output.self_switching:
        dead, some, gaps_s = np.zeros(len(net_a), bool), np.ones(len(net_a), bool), np.zeros(len(net_a))
    empty = dead & ~some
    if (flowing := np.flatnonzero(~empty)).size and flowing[-1] > np.argmax(empty):
        empty[:] = False  # it flowed again after a hold without any: the load switches itself, or a contact is loose
    plain = output.level is None and output.flash_hz is None
    odd = np.zeros(len(net_a), bool)
    if output.load_a and plain and not too_coarse and not output.self_switching:
        whole = flows[stops] - flows[starts] >= MOST_ROWS * (stops - starts)  # else it switches itself
        odd = ~dead & whole & ~((net_a >= LABEL[0] * output.load_a) & (net_a <= LABEL[1] * output.load_a))
    if odd.sum() < FEWEST_ODD * len(odd):
        odd[:] = False
    limit_a, allowed_s = output.continuous_a, output.peak_s if output.peak_s is not None else CONTINUOUS_S
    off_a = OFF_SHARE * output.load_a if output.load_a else OFF_A

    def at(holds: Bools) -> Places:
        return Places(current.line[starts[holds]], current.time_s[starts[holds]])

    return LoadEvidence(
        on_current_a=float(np.median(amps[on & known])) if (on & known).any() else np.nan,
        net_a=(
            float(np.median(net_a[odd if odd.any() else ~dead]))
            if (~dead).any() and not output.self_switching
            else np.nan
        ),
        highest_a=float(np.nanmax(amps)) if known.any() else np.nan,
        over_peak=none if output.peak_a is None else _at(current, amps > output.peak_a),
        over_continuous=none if limit_a is None else _too_long(current, amps > limit_a, allowed_s),
        no_current=at(empty),
        switches_itself=at((dead & ~empty) | (gaps_s > GAP_S)),
        interrupted=at(~dead & (gaps_s > 0) & (gaps_s <= GAP_S)),
        off_label=at(odd),
        current_when_off=_holds_that(current, off, lambda median: median > off_a, fewest=FEWEST_STRAY),
        has_current=not too_coarse,
    )


def _begins(track: Track, current: Signal, starts: Ints) -> Ints:
    """Return the first row of the on-time in which each settled row lies: what flows until then counts too."""
    on_s = track.time_s[track.state == ON]
    began_s = on_s[np.searchsorted(on_s, current.time_s[starts], "right") - 1]
    rows: Ints = np.minimum(np.searchsorted(current.time_s, began_s, "left"), starts)
    return rows


def _gaps(current: Signal, dead: Bools, starts: Ints, stops: Ints, *, allowed: int) -> Floats:
    """Return the longest gap without current, rows on both sides of it with some, in each hold [s]; 0 for none.

    Nor is there one where they are no more than the plan allows.
    """
    longest = np.zeros(len(starts))
    number = np.append(0, np.cumsum(dead))
    for hold in np.flatnonzero(number[stops] - number[starts] >= FEWEST_ROWS).tolist():
        start, stop = int(starts[hold]), int(stops[hold])
        flowing = np.flatnonzero(~dead[start:stop])
        apart = np.diff(flowing)
        wide = np.flatnonzero(apart > FEWEST_ROWS)
        if len(wide) > allowed:
            time_s = current.time_s[start:stop]
            longest[hold] = (time_s[flowing[wide + 1]] - time_s[flowing[wide]]).max()
    return longest


def _settled(track: Track, flashing: Track | None, rhythm: Rhythm) -> tuple[Bools, Bools]:
    """Tell at which rows the output has been on, or off, long enough for the reading to have settled."""
    time_s = rhythm.time_s
    settle_s = SETTLE_S + track.slack_s + rhythm.interval_s
    quiet = calm(flashing, time_s, settle_s)
    return steady(track, ON, time_s, settle_s) & quiet, steady(track, OFF, time_s, settle_s) & quiet


def _at(signal: Signal, mask: Bools) -> Places:
    """Return the first row of each run of true rows."""
    starts, _ = runs(mask)
    return Places(signal.line[starts], signal.time_s[starts])


def _too_long(signal: Signal, mask: Bools, allowed_s: float) -> Places:
    """Return the first row of each run of true rows that lasts longer than allowed."""
    starts, stops = runs(mask)
    kept = starts[signal.time_s[stops - 1] - signal.time_s[starts] > allowed_s + ROUNDING_S]
    return Places(signal.line[kept], signal.time_s[kept])


def _holds_that(
    signal: Signal, mask: Bools, is_wrong: Callable[[Floats], Bools], *, fewest: int = FEWEST_ROWS
) -> Places:
    """Return the first row of each run of true rows whose median value is wrong: above a limit, or below one."""
    starts, stops = runs(mask)
    long = stops - starts >= fewest
    starts, stops = starts[long], stops[long]
    before = np.append(0, np.cumsum(is_wrong(signal.value)))
    wrong = before[stops] - before[starts]
    is_kept = wrong == stops - starts
    mixed = np.flatnonzero((wrong > 0) & ~is_kept)  # only there need the median be known to tell its side of the limit
    is_kept[mixed] = is_wrong(medians(signal.value, starts[mixed], stops[mixed]))
    return Places(signal.line[starts[is_kept]], signal.time_s[starts[is_kept]])
