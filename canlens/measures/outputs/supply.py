"""Supply and rest: whether the controller restarts, its supply sags, and the bus falls silent after the ignition."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.tracks import Rhythm
from canlens.measures.outputs.whole import in_step
from canlens.measures.traffic.silences import places_at
from canlens.nouns.outputs import Aligned, Places, SupplyEvidence
from canlens.plan.rule import OFF, ON, UNKNOWN
from canlens.trace import NANOSECONDS_PER_SECOND, Kind

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from canlens.measures.outputs.whole import Recorded
    from canlens.nouns.messages import QuietEvidence
    from canlens.nouns.outputs import ControlEvidence, OutputEvidence
    from canlens.nouns.tracks import Track
    from canlens.plan import Bus, Plan
    from canlens.signals import Floats, Signal
    from canlens.trace import Bools, Ints, Trace


# Rest: whether the bus falls silent after the control that keeps it awake, as the plan wants it.


WAKES_S = 3.0
"""A control that may wake the bus moves within this time of the wake [s] (our choice)."""


def rest(
    quiet: QuietEvidence,
    trace: Trace,
    planned: Bus,
    *,
    controls: Mapping[str, ControlEvidence],
    outputs: Mapping[str, OutputEvidence],
) -> QuietEvidence:
    """Hold the end of a recording against the plan.

    Parameters
    ----------
    quiet
        Who spoke last and who woke the bus.
    trace
        Frames of the channel that is judged.
    planned
        Its ``awake_while`` and ``quiet_after_s``.
    controls, outputs
        As measured.

    Returns
    -------
    QuietEvidence
        With the end of the control, the last change of an output, and the frames that came too late.
    """
    control = controls.get(planned.awake_while or "")
    off_s = _went_off(control.track) if control else None
    moved_s = [time_s for each in controls.values() for time_s in _moves(each.track)]
    changes = [
        float(each.track.time_s[edges[-1]])
        for each in outputs.values()
        if each.track is not None
        for edges in (each.track.rises, each.track.falls)
        if len(edges)
    ]
    late = np.zeros(0, np.intp)
    woken_s = np.array(sorted(time_s for name in planned.may_wake for time_s in _moves(controls[name].track)))
    if off_s is not None and planned.quiet_after_s is not None:
        limit_ns = trace.start_ns + round((off_s + planned.quiet_after_s) * NANOSECONDS_PER_SECOND)
        late = np.flatnonzero(trace.time_ns > limit_ns)
        late = late[trace.kind[late] != Kind.ERROR]
        late_s = (trace.time_ns[late] - trace.start_ns) / NANOSECONDS_PER_SECOND
        late = late[~_is_near(woken_s, late_s - max(planned.quiet_after_s, WAKES_S), late_s + WAKES_S)]
    return replace(
        quiet,
        off_s=off_s,
        allowed_s=planned.quiet_after_s,
        too_late=places_at(trace, late),
        last_change_s=max(changes, default=None),
        touched_s=tuple(sorted(moved_s)),
    )


def _moves(track: Track) -> list[float]:
    """Return when a control was found in another state than before, silences between them or not [s]."""
    known = np.flatnonzero(track.state != UNKNOWN)
    moved = known[1:][track.state[known[1:]] != track.state[known[:-1]]]
    times_s: list[float] = track.time_s[moved].tolist()
    return times_s


def _went_off(track: Track) -> float | None:
    """Return when a control went off for the last time [s]; None if it was not seen to, or it is on again."""
    on = np.flatnonzero(track.state == ON)
    if not len(on) or on[-1] + 1 >= len(track.state) or track.state[on[-1] + 1] != OFF:
        return None
    return float(track.time_s[on[-1] + 1])


# Supply: whether the controller falls silent and returns, which output goes with that, and what its supply does.


MISSED = 2.5
"""A message on a beat that stays away for so many of its cycles has a gap (one lost frame and its jitter are none)."""
HEARD = 0.5
"""Meanwhile others must come at least half as often as usual; else the recorder stopped, or its clock was set."""
RARE = 1e-6
"""Chance below which a row of lost frames is no accident (our choice)."""
SHORTEST_S = 0.12
"""A small controller takes at least this long to start again (our choice; most take some tenths of a second)."""
LONGEST_S = 8.0
"""What stays away for longer has been switched off."""
SOON_S = 1.0
"""A supply that an output pulls down is low as long as the inrush and the load last; a restart that the output causes
comes within this time (our choice)."""
SAG_V = 2.0
"""A reported supply that is this much below its median for a moment has sagged (our choice; starting and charging move
the supply for seconds)."""
SAGGING = 0.5
"""An output pulls the supply down if it does so at this share of its turning on, or more (our choice)."""
HITS, STRAYS = 0.95, 0.05
"""Chance that a restart lies just after the output that causes it turned on, and that it does not (our choice)."""
LOOKS = 20
"""Independent looks at the supply that its rows are worth, however many they are (our choice; it moves slowly)."""
LEAST_LEFT = 0.01
FEWEST_ROWS = 5
SETTLE_S, BESIDE_S = 0.2, 0.5
"""So long after an output turned on or off the voltages have settled, and so long they are looked at (our choice)."""
MOST_STEPS = 50
"""Of more steps of one kind the first tell as much."""
FEWEST_STEPS = 2
NOT = {ON: (OFF, UNKNOWN), OFF: (ON, UNKNOWN)}
"""The states other than one."""
MOST_COVERED = 0.6
"""Flashing counts as turning on as long as what follows it covers no more of the recording."""
FOLLOWS, HOLDS = 0.7, 0.3
"""Chance that turning on is followed by a restart, and that the supply holds this time (our choice)."""


def supply(plan: Plan, recorded: Recorded, outputs: Mapping[str, OutputEvidence]) -> SupplyEvidence | None:
    """Measure restarts of the controller and its supply.

    Parameters
    ----------
    plan
        Names the controller's node and its supply.
    recorded
        The decoded signals.
    outputs
        What each output did.

    Returns
    -------
    SupplyEvidence
        None where no message of the controller comes on a beat.
    """
    restarts_s = restarts(plan, recorded)[0]
    if restarts_s is None:
        return None
    lowest_v, usual_v, is_sagging = _volts(plan, recorded)
    tracks = {name: each.track for name, each in outputs.items() if each.track is not None}
    aligned = {
        name: _aligned(name, outputs[name], restarts_s, volts_fit=_volts_fit(plan, recorded, track))
        for name, track in tracks.items()
    }
    asked = {name: outputs[name].rule for name in tracks}
    together = in_step(asked, within_s={name: plan.outputs[name].within_s for name in tracks})
    return SupplyEvidence(
        restarts_s,
        tuple(
            replace(each, likelihood=max(aligned[other].likelihood for other in together[name]))
            for name, each in aligned.items()
        ),
        lowest_v,
        usual_v,
        is_sagging,
        _sags(plan, recorded, tracks),
        dict(_falls(plan, recorded, tracks)),
    )


def _falls(plan: Plan, recorded: Recorded, tracks: Mapping[str, Track]) -> Iterator[tuple[str, float]]:
    """Yield outputs with the fall of what others measure when they turn on [V]; those of which nothing tells are left.

    The supply is looked at where only the output changes, the voltage of another output where that one stays on.
    """
    sources = [("", recorded.signal(plan.controller.supply))]
    sources += [(name, recorded.signal(plan.outputs[name].voltage)) for name in tracks if not plan.outputs[name].level]
    for name, track in tracks.items():
        falls_v: list[float] = []
        for source, signal in sources:
            if signal is not None and source != name:
                others = {each: ON if each == source else OFF for each in tracks if each != name}
                falls_v += _steps_v(signal, track, {tracks[each]: state for each, state in others.items()})
        if len(falls_v) >= FEWEST_STEPS:
            yield name, float(np.median(falls_v))


def _steps_v(signal: Signal, track: Track, others: Mapping[Track, int]) -> Iterator[float]:
    """Yield how much a voltage is lower just after an output turned on than before, and just before it turns off."""
    apart_s = SETTLE_S + _slack_s(track)
    for edges, sign in ((track.rises, 1), (track.falls, -1)):
        start_s, stop_s = (track.time_s[edges] + beside for beside in (-apart_s - BESIDE_S, apart_s + BESIDE_S))
        alone = np.ones(len(edges), np.bool_)
        for each, state in others.items():
            for known in NOT[state]:
                alone &= ~each.ever(known, start_s, stop_s)
        for at in np.flatnonzero(alone)[:MOST_STEPS].tolist():
            edge_s = float(track.time_s[edges[at]])
            first, last = np.searchsorted(signal.time_s, [start_s[at], stop_s[at]])
            time_s, volts = signal.time_s[first:last], signal.value[first:last]
            before, after = volts[time_s <= edge_s - apart_s], volts[time_s >= edge_s + apart_s]
            if len(before) and len(after):
                yield sign * float(np.median(before) - np.median(after))


def restarts(plan: Plan, recorded: Recorded) -> tuple[Floats | None, float | None]:
    """Return the spans in which the controller restarted, float64 (k, 2), and when its first message came [s].

    None where no message of the controller comes on a beat, or none came at all.
    """
    node = plan.controller.node
    told = {each.command.reference.path for each in plan.outputs.values() if each.command is not None}
    own: list[Floats] = []
    others: list[Floats] = []
    for path, signal in recorded.signals.items():
        message, _, _ = path.partition(".")
        definition = plan.database.message(message)
        is_own = path in told or (definition is not None and node is not None and node in definition.senders)
        (own if is_own else others).append(signal.time_s)
    mine = _once(own)
    return _restarts(mine, _once(others)), min((float(each[0]) for each in mine), default=None)


def starting(plan: Plan, recorded: Recorded) -> Floats:
    """Return the spans in which the controller starts and tests its lamps, float64 (k, 2) [s]; none if not planned."""
    settles_s = plan.controller.settles_s
    if not settles_s:
        return np.zeros((0, 2))
    again, first_s = restarts(plan, recorded)
    begins_s = np.concatenate([[] if first_s is None else [first_s], np.zeros(0) if again is None else again[:, 1]])
    return np.column_stack([begins_s, begins_s + settles_s])


def _sags(plan: Plan, recorded: Recorded, tracks: Mapping[str, Track]) -> dict[str, Places]:
    """Return for each output where the supply fell below the plan's limit just after it had turned on.

    One row never decides: a fall counts only with two rows that follow each other. An output that is blameless where
    another one does not turn on with it is left out.
    """
    signal, limit_v = recorded.signal(plan.controller.supply), plan.controller.supply_min_v
    if signal is None or limit_v is None:
        return {}
    low = signal.value < limit_v
    both = np.flatnonzero(low & np.append(low[1:], False) & ~np.append(False, low[:-1]))
    time_s, line = signal.time_s[both], signal.line[both]
    after = {name: _just_after(time_s, track.time_s[track.rises], track) for name, track in tracks.items()}
    share = {name: float(mine.sum()) / max(len(tracks[name].rises), 1) for name, mine in after.items()}

    def is_explained(name: str) -> bool:
        """Tell whether another output, which does so more often, turned on before each of its falls."""
        return any(share[other] > share[name] and not (after[name] & ~mine).any() for other, mine in after.items())

    return {
        name: Places(line[mine], time_s[mine])
        for name, mine in after.items()
        if share[name] >= SAGGING and not is_explained(name)
    }


def _once(columns: Iterable[Floats]) -> list[Floats]:
    """Keep each column of times once; signals of one message share theirs."""
    return list({id(column): column for column in columns if len(column)}.values())


def _restarts(own: list[Floats], others: list[Floats]) -> Floats | None:
    """Find the spans in which all messages of the controller stayed away though others came, float64 (k, 2) [s]."""
    rhythms = [Rhythm.of(column) for column in own]
    cyclic = [each for each in rhythms if math.isfinite(each.hold_s)]
    if not cyclic:
        return None
    fastest = min(cyclic, key=lambda each: each.interval_s)
    time_s = np.sort(np.concatenate(own), kind="stable")  # each column is sorted already, and this kind makes use of it
    length_s = np.diff(time_s)
    least_s = max(MISSED * fastest.interval_s, SHORTEST_S)
    at = np.flatnonzero((length_s > least_s) & (length_s < LONGEST_S))
    start_s, stop_s = time_s[at], time_s[at + 1]
    heard_s = np.sort(np.concatenate([np.zeros(0), *others]), kind="stable")
    if not len(heard_s):
        return np.zeros((0, 2))
    expected = len(heard_s) / max(float(np.ptp(heard_s)), 1.0) * (stop_s - start_s)
    is_heard = _number_inside(heard_s, start_s, stop_s) >= np.maximum(HEARD * expected, 1.0)
    return np.column_stack([start_s, stop_s])[is_heard & (stop_s - start_s > _lost_s(others, fastest.interval_s))]


def _lost_s(others: list[Floats], interval_s: float) -> float:
    """Return how long a message with some interval may stay away because the recorder loses frames [s].

    How many it loses is told by the messages of other nodes that come on a beat.
    """
    rhythms = [Rhythm.of(column) for column in others]
    cyclic = [each for each in rhythms if math.isfinite(each.hold_s) and each.interval_s]
    due = sum(np.ptp(each.time_s) / each.interval_s for each in cyclic)
    came = sum(len(each.time_s) - 1 for each in cyclic)
    lost = min(max(1 - came / due, 0.0), 0.5) if due else 0.0
    if lost < 1 / max(due, 1.0):
        return 0.0
    return interval_s * (1 + math.log(RARE) / math.log(lost))


def _number_inside(column: Floats, start_s: Floats, stop_s: Floats) -> Ints:
    """Count the times that lie strictly inside each span."""
    found: Ints = np.searchsorted(column, stop_s, "left") - np.searchsorted(column, start_s, "right")
    return found


def _aligned(name: str, own: OutputEvidence, restarts_s: Floats, *, volts_fit: float) -> Aligned:
    """Tell how the restarts go with one output; ``volts_fit`` says how well the supply does, as a logarithm."""
    track = own.track
    rises_s = own.rule.time_s[own.rule.rises]
    start_s, stop_s = restarts_s[:, 0], restarts_s[:, 1]
    again_s = stop_s[own.rule.at(stop_s) == ON]
    windows_s = np.union1d(rises_s, again_s)
    hits = _just_after(start_s, windows_s, track)
    flashes_s = np.union1d(windows_s, track.time_s[track.rises]) if track is not None else windows_s
    edges_s = own.rule.time_s[own.rule.rises]
    followed = int(_is_near(start_s, edges_s - _slack_s(track), edges_s + SOON_S).sum())
    share = _covered(windows_s, own.rule.end_s)
    number, inside = len(start_s), int(hits.sum())
    log = inside * math.log(HITS / share) + (number - inside) * math.log(STRAYS / (1 - share))
    log += followed * math.log(FOLLOWS) + (len(edges_s) - followed) * math.log(HOLDS)
    log += volts_fit
    shown = _just_after(start_s, flashes_s, track) if _covered(flashes_s, own.rule.end_s) < MOST_COVERED else hits
    return Aligned(name, len(edges_s), followed, int(shown.sum()), math.exp(max(min(log, 50.0), -50.0)))


def _just_after(start_s: Floats, turned_on_s: Floats, track: Track | None) -> Bools:
    """Tell which restarts begin just after one of some ascending times [s]."""
    return _is_near(turned_on_s, start_s - SOON_S, start_s + _slack_s(track))


def _is_near(time_s: Floats, from_s: Floats, to_s: Floats) -> Bools:
    """Tell which spans hold one of some ascending times."""
    found: Bools = np.searchsorted(time_s, to_s, "right") > np.searchsorted(time_s, from_s, "left")
    return found


def _covered(turned_on_s: Floats, end_s: float) -> float:
    """Return which share of the recording lies just after one of some times."""
    return min(max(len(turned_on_s) * SOON_S / max(end_s, 1.0), 0.02), 0.98)


def _slack_s(track: Track | None) -> float:
    """Return how long before the last message a change may have happened [s]."""
    return track.slack_s if track is not None else 0.0


def _volts_fit(plan: Plan, recorded: Recorded, track: Track | None) -> float:
    """Return how well one output's being on explains the reported supply: logarithm of a factor, 0 for not at all."""
    signal = recorded.signal(plan.controller.supply)
    if signal is None or track is None or len(signal) < FEWEST_ROWS:
        return 0.0
    known = ~np.isnan(signal.value)
    volts, on = signal.value[known], track.at(signal.time_s[known]) == ON
    if not on.any() or on.all() or volts[on].mean() >= volts[~on].mean():
        return 0.0
    left = np.where(on, volts - volts[on].mean(), volts - volts[~on].mean())
    total = float(np.square(volts - volts.mean()).sum())
    return -LOOKS / 2 * math.log(max(float(np.square(left).sum()) / total, LEAST_LEFT)) if total > 0 else 0.0


def _volts(plan: Plan, recorded: Recorded) -> tuple[float | None, float | None, bool]:
    """Return the lowest and the median supply [V], and whether it sagged."""
    signal = recorded.signal(plan.controller.supply)
    volts = signal.value[~np.isnan(signal.value)] if signal is not None else np.zeros(0)
    if not len(volts):
        return None, None, False
    lowest, usual = float(volts.min()), float(np.median(volts))
    limit = plan.controller.supply_min_v
    return lowest, usual, (limit is not None and lowest < limit) or lowest < usual - SAG_V
