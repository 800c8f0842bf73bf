"""Whole outputs: everything that is measured on one output of the plan."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from canlens.measures.outputs.answers import answers, cut_off, dropped, exercises, lead, release
from canlens.measures.outputs.loads import bridged, calm, flash, level, load, steady
from canlens.measures.outputs.observations import agreement, observed_answers
from canlens.measures.outputs.rules_seen import seen_rules
from canlens.measures.outputs.shifts import unshifted
from canlens.measures.outputs.tracks import Rhythm, rule_track, states_of, track
from canlens.measures.outputs.wanted import (
    NEVER_S,
    held_on,
    hidden,
    low_supply,
    wanted,
    without_retries,
)
from canlens.nouns.outputs import (
    Answers,
    FlashEvidence,
    LevelEvidence,
    LoadEvidence,
    OutputEvidence,
    Places,
    Rival,
    Scene,
    Timer,
    Track,
)
from canlens.plan.nouns import timer_tolerance_s
from canlens.plan.rule import OFF, ON, UNKNOWN, Rule

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from canlens.plan import Condition, Observation, Output, Plan, SignalReference
    from canlens.signals import Floats, Signal


# Mapping: which rules a recording tells apart.


def told_apart(first: Track, second: Track, *, longer_than_s: float) -> bool:
    """Tell whether two rules ever differed, both known, for longer than an output needs to show it [s]."""
    time_s = np.union1d(first.time_s, second.time_s)
    if not len(time_s):
        return False
    one, two = first.at(time_s), second.at(time_s)
    differ = (one != two) & (one != UNKNOWN) & (two != UNKNOWN)
    lasts_s = np.diff(np.append(time_s, max(min(first.end_s, second.end_s), time_s[-1])))
    edges = np.diff(np.concatenate(([0], differ.astype(np.int8), [0])))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    total_s = np.append(0.0, np.cumsum(lasts_s))
    return bool(((total_s[stops] - total_s[starts]) > longer_than_s).any())


def in_step(tracks: Mapping[str, Track], *, within_s: Mapping[str, float]) -> dict[str, tuple[str, ...]]:
    """Return for each output all those that were never seen apart from it, itself among them.

    Whatever one of them does to the supply or the bus, the others may do.

    Parameters
    ----------
    tracks
        State of each output.
    within_s
        Answer time of each [s]: so much, and one interval of their messages, may lie between outputs in step.
    """
    alike = {name: {name} for name in tracks}
    for (name, own), (other, theirs) in combinations(tracks.items(), 2):
        longer_than_s = max(within_s[name], within_s[other]) + max(own.slack_s, theirs.slack_s)
        if not told_apart(own, theirs, longer_than_s=longer_than_s):
            alike[name].add(other)
            alike[other].add(name)
    return {name: tuple(each for each in tracks if each in own) for name, own in alike.items()}


# Recorded: what one recording holds of a plan's signals, with what the measures of several outputs share.


@dataclass(frozen=True, eq=False)
class Recorded:
    """What one recording holds of a plan's signals.

    Attributes
    ----------
    signals
        Decoded, by path; absent where the message never came.
    end_s
        Time of the latest frame [s].
    controls
        Tracks of all controls, by name.
    rhythms
        Rhythms measured so far, by the column of times that they belong to.
    marked_s
        float64: when each marked slot began, those of rest among them [s]; empty where no rest was marked.
    starting_s
        float64 (k, 2): spans in which the controller was starting, so that its outputs mean nothing [s].
    """

    signals: Mapping[str, Signal]
    end_s: float
    controls: Mapping[str, Track] = field(default_factory=dict)
    rhythms: dict[int, Rhythm] = field(default_factory=dict)
    marked_s: Floats = field(default_factory=lambda: np.zeros(0))
    starting_s: Floats = field(default_factory=lambda: NEVER_S)

    def rhythm(self, signal: Signal) -> Rhythm:
        """Return the rhythm of a signal's rows, measured once for all signals that share them."""
        key = id(signal.time_s)
        if key not in self.rhythms:
            self.rhythms[key] = Rhythm.of(signal.time_s)
        return self.rhythms[key]

    def signal(self, reference: SignalReference | None) -> Signal | None:
        """Return the decoded signal of a reference, None where the plan names none or it never came."""
        return self.signals.get(reference.path) if reference else None

    def track(self, condition: Condition) -> Track:
        """Return the state of a condition over time; without steps where its message never came."""
        signal = self.signal(condition.reference)
        if signal is None:
            return Track.empty(self.end_s)
        states = states_of(signal, condition)
        return track(
            signal.time_s,
            states,
            signal.line,
            end_s=self.end_s,
            rhythm=self.rhythm(signal),
            may_be_cyclic=condition.reference.message.cycle_time_s is not None,
        )


# Outputs: everything that is measured on one output of the plan.


LONGEST_DARK = 1.5
"""A flashing output is dark for no longer than this many planned periods: it may flash at a third of its frequency."""


def output_evidence(
    plan: Plan, output: Output, recorded: Recorded, observed: tuple[Observation, ...], *, offset_s: float
) -> OutputEvidence:
    """Measure one output against its rule.

    Parameters
    ----------
    plan, output
        What is meant.
    recorded
        What the recording holds.
    observed
        What eye, ear or meter saw of this output.
    offset_s
        To be added to the observations' times [s].
    """
    rule = rule_track(output.when, recorded.controls)
    signal = recorded.signal(output.command.reference if output.command else None)
    if signal is None or output.command is None:
        return _without_command(plan, output, recorded, rule, observed, offset_s=offset_s)
    own = recorded.track(output.command)
    flashing = _flashing(output, recorded)
    leads_s = lead(rule, own, within_s=output.within_s)
    plain = rule.led(leads_s)
    excused_s = _excused(plan, output, recorded, own)
    own = without_retries(hidden(own, excused_s), plain, output.retries)
    rule = wanted(plain, output, own, excused_s)
    flash_s = 1 / output.flash_hz if output.flash_hz else 0.0
    within_s, stays_s = output.shows_within_s, _stays_s(output)
    found = answers(rule, own, within_s=within_s, run_on_s=stays_s, flashing=flashing, flash_s=flash_s)
    confirmed, disagreed = agreement(own, observed, offset_s=offset_s) if observed else (0, Places.none())
    scene = replace(_scene(plan, output, recorded, own, excused_s), lead_s=leads_s)
    return OutputEvidence(
        name=output.name,
        rule=rule,
        track=own,
        answers=found,
        judged_from="bus",
        leads_s=leads_s,
        message_seen=True,
        exercised=_exercised(output, recorded.controls, found),
        confounded_with=_confounded(plan, output, recorded, plain, output.settles_s + own.slack_s),
        scenes=(scene,),
        seen=seen_rules((scene,)),
        release=_release(output, rule, own),
        cut_off=_cut_off(output, plain, own, flashing),
        dropped=_dropped(output, rule, own, flashing),
        day=_level(output, recorded, (rule, own, flashing), night=False),
        night=_level(output, recorded, (rule, own, flashing), night=True),
        flash=_flash(output, recorded, flashing),
        load=_load(output, recorded, rule, own, flashing),
        confirmed=confirmed,
        disagreed=disagreed,
    )


def _without_command(
    plan: Plan,
    output: Output,
    recorded: Recorded,
    rule: Track,
    observed: tuple[Observation, ...],
    *,
    offset_s: float,
) -> OutputEvidence:
    """Judge an output that nothing on the bus shows from what was seen of it."""
    message_seen = None if output.command is None else False
    if not observed:
        return OutputEvidence(output.name, rule, None, Answers.none(), "nothing", message_seen=message_seen)
    excused_s = _excused(plan, output, recorded, None)
    found, seen_off = observed_answers(
        wanted(rule, output, None, excused_s),
        observed,
        within_s=output.shows_within_s,
        stays_s=_stays_s(output),
        offset_s=offset_s,
    )
    scene = replace(_scene(plan, output, recorded, None, excused_s), observed=observed, offset_s=offset_s)
    return OutputEvidence(
        name=output.name,
        rule=rule,
        track=None,
        answers=found,
        judged_from="observed",
        message_seen=message_seen,
        exercised=_exercised(output, recorded.controls, found),
        confounded_with=_confounded(plan, output, recorded, rule, output.settles_s + 1.0),
        scenes=(scene,),
        seen=seen_rules((scene,)),
        confirmed=len(found.answered),
        seen_off=seen_off,
    )


def _excused(plan: Plan, output: Output, recorded: Recorded, own: Track | None) -> Floats:
    """Return the spans in which nothing is asked of an output: its controller starts, or its supply is low."""
    settle_s = output.within_s + (own.slack_s if own is not None else 0.0)
    low_s = low_supply(recorded.signal(plan.controller.supply), output.off_below_v, settle_s=settle_s)
    return np.concatenate([recorded.starting_s, low_s])


def _scene(plan: Plan, output: Output, recorded: Recorded, own: Track | None, excused_s: Floats) -> Scene:
    """Return what tells which rule an output follows."""
    if own is not None and output.flash_hz and output.flash_when is not None:
        flashing = rule_track(output.flash_when, recorded.controls)
        own = bridged(own, flashing, longest_s=LONGEST_DARK / output.flash_hz)
    return Scene(
        output.when,
        tuple(each.when for each in plan.outputs.values()),
        recorded.controls,
        own,
        output.settles_s,
        stays_s=max(_stays_s(output), *(2 * (each or 0.0) for each in (output.pulse_s, output.min_on_s))),
        is_cut_off=output.cut_after_s is not None or output.pulse_s is not None,
        awake_while=plan.bus.awake_while,
        marked_s=recorded.marked_s,
        asks=partial(wanted, output=output, own=own, excused_s=excused_s),
        is_latched=output.latch,
    )


def _exercised(output: Output, controls: Mapping[str, Track], found: Answers) -> dict[str, int]:
    """Count for each control of the rule the exercises that could have shown the output following it.

    Not counted: those that could not matter because the rule was on anyhow, and those whose edge was too short to
    tell or met an output still on from before.
    """
    lost_s = np.concatenate([found.too_short.time_s, found.held.time_s])
    counts = {}
    for name in output.when.controls:
        rise_s = exercises(controls[name], apart_s=output.within_s).time_s
        states = {each: controls[each].at(rise_s) for each in output.when.controls}
        idle = np.ones(len(rise_s), bool)
        for state in (OFF, ON):
            idle &= output.when.evaluate({**states, name: np.full(len(rise_s), state, np.int8)}) == ON
        counts[name] = int((~idle & ~np.isin(rise_s, lost_s)).sum())
    return counts


def _confounded(plan: Plan, output: Output, recorded: Recorded, rule: Track, longer_than_s: float) -> tuple[Rule, ...]:
    """Return the rules of the plan that this recording does not tell from the output's own.

    They are the other outputs' rules and, where the output follows a single control, every other control that was seen;
    where it follows several, its own rule with one of them exchanged for a control that only moved together with it.
    """
    if not len(rule.rises):
        return ()
    rivals = [each.when for each in plan.outputs.values()]
    if len(output.when.controls) == 1:
        rivals += [Rule.of(name) for name in plan.controls if len(recorded.controls[name].state)]
    else:
        rivals += _with_twins(output.when, recorded.controls, longer_than_s)
    alike: dict[str, Rule] = {}
    for rival in rivals:
        if rival.same_as(output.when) or str(rival) in alike:
            continue
        if not told_apart(rule, rule_track(rival, recorded.controls), longer_than_s=longer_than_s):
            alike[str(rival)] = rival
    return tuple(alike.values())


def _with_twins(rule: Rule, controls: Mapping[str, Track], longer_than_s: float) -> Iterator[Rule]:
    """Yield a rule with one control exchanged for another that moved, but never otherwise than that one."""
    for own in rule.controls:
        for name, twin in controls.items():
            if name in rule.controls or not (len(twin.rises) and len(controls[own].rises)):
                continue
            if not told_apart(controls[own], twin, longer_than_s=longer_than_s):
                yield rule.with_renamed(own, name)


def _flashing(output: Output, recorded: Recorded) -> Track | None:
    """Return when the output should flash: its rule and its flash condition both on."""
    if output.flash_when is None:
        return None
    return rule_track(output.when.and_also(output.flash_when), recorded.controls)


def _stays_s(output: Output) -> float:
    """Return how long an output may stay on after its rule, tolerance included [s]."""
    late_s = output.ends_within_s - output.within_s
    return output.run_on_s + output.run_on_tolerance_s + late_s if output.run_on_s else late_s


def _release(output: Output, rule: Track, own: Track) -> Timer | None:
    """Measure the release, with its run-on where one is planned; None where a pulse ends by itself."""
    if output.pulse_s is not None:
        return None
    planned = output.run_on_s is not None
    return release(
        rule,
        own,
        within_s=output.ends_within_s,
        run_on_s=output.run_on_s or 0.0,
        tolerance_s=output.run_on_tolerance_s if planned else 0.0,
    )


def _cut_off(output: Output, rule: Track, own: Track, flashing: Track | None) -> Timer | None:
    """Measure the cut-off; None where none is planned."""
    cut_after_s, tolerated_s = output.cut_after_s, output.cut_after_tolerance_s
    if output.pulse_s is not None:
        rule, cut_after_s, tolerated_s = (
            held_on(rule, output.pulse_s),
            output.pulse_s,
            timer_tolerance_s(output.pulse_s),
        )
    if cut_after_s is None:
        return None
    return cut_off(
        rule,
        own,
        within_s=output.ends_within_s,
        cut_after_s=cut_after_s,
        tolerance_s=tolerated_s,
        flashing=flashing,
    )


def _dropped(output: Output, rule: Track, own: Track, flashing: Track | None) -> Places:
    """Find unplanned falls; a planned cut-off judges its own."""
    if output.cut_after_s is not None or output.pulse_s is not None:
        return Places.none()
    return dropped(rule, own, flashing=flashing, settle_s=max(output.shows_within_s, output.ends_within_s))


def _level(
    output: Output, recorded: Recorded, tracks: tuple[Track, Track, Track | None], *, night: bool
) -> LevelEvidence | None:
    """Measure the level by day or by night; None where none is planned or its message never came."""
    wanted = output.level_night if night else output.level_day
    signal = recorded.signal(output.level)
    if wanted is None or signal is None or (night and output.night is None):
        return None
    rule, own, flashing = tracks
    rhythm = recorded.rhythm(signal)
    time_s = rhythm.time_s
    settle_s = max(output.shows_within_s, output.ends_within_s) + own.slack_s + rhythm.interval_s
    on = steady(rule, ON, time_s, settle_s) & steady(own, ON, time_s, settle_s) & calm(flashing, time_s, settle_s)
    if output.night is not None:
        on &= steady(recorded.controls[output.night], ON if night else OFF, time_s, settle_s)
    return level((time_s, signal.value, signal.line), on=on, wanted=wanted, tolerance=output.level_tolerance)


def _flash(output: Output, recorded: Recorded, flashing: Track | None) -> FlashEvidence | None:
    """Measure the flash frequency from the level, or from the command where there is none."""
    if flashing is None or output.flash_hz is None or output.command is None:
        return None
    signal = recorded.signal(output.level)
    if signal is not None:
        value = signal.value
    else:
        signal = recorded.signals[output.command.reference.path]
        value = states_of(signal, output.command).astype(np.float64)
    rhythm = recorded.rhythm(signal)
    rows = (rhythm.time_s, value, signal.line)
    return flash(
        rows,
        interval_s=rhythm.interval_s,
        flashing=flashing,
        wanted_hz=output.flash_hz,
        tolerance_hz=output.flash_tolerance_hz,
        settle_s=output.within_s,
    )


def _load(output: Output, recorded: Recorded, rule: Track, own: Track, flashing: Track | None) -> LoadEvidence | None:
    """Compare current and voltage with the command; None where the plan names neither."""
    if output.current is None and output.voltage is None:
        return None
    if output.soft_s:  # while it fades its state says nothing of its current
        edges = np.sort(np.append(rule.rises, rule.falls))
        faded_s = max(output.shows_within_s, output.ends_within_s)
        own = hidden(own, np.column_stack([rule.since_s[edges], rule.time_s[edges] + faded_s]))
    return load(
        output,
        own,
        recorded.signal(output.current),
        recorded.signal(output.voltage),
        flashing=flashing,
        rhythm_of=recorded.rhythm,
    )


# Rivals: whose plan an output does that does not do its own.


def with_rivals(
    plan: Plan, controls: Mapping[str, Track], outputs: Mapping[str, OutputEvidence]
) -> dict[str, OutputEvidence]:
    """Return the outputs, those that stray from their own rule with what else they follow.

    Parameters
    ----------
    plan, controls
        What is meant, and the tracks of the controls.
    outputs
        As measured one by one.
    """
    outputs = {name: unshifted(own, plan.outputs[name].within_s) for name, own in outputs.items()}
    return {
        name: replace(own, rivals=tuple(_rivals(plan, controls, outputs, name)))
        if own.strays_from(plan.outputs[name].when)
        else own
        for name, own in outputs.items()
    }


def _rivals(
    plan: Plan, controls: Mapping[str, Track], outputs: Mapping[str, OutputEvidence], name: str
) -> Iterator[Rival]:
    """Yield the outputs with another rule all of whose plan an output does, then the first control that explains it."""
    own, output = outputs[name], plan.outputs[name]
    for other in plan.outputs.values():
        if other.when.same_as(output.when):
            continue
        if any(rule.same_as(other.when) for rule in own.fits):
            yield Rival(other.when, own.seen.explained, other.name)
            continue
        answered = _answered(own, outputs[other.name].rule, other, within_s=max(output.within_s, other.within_s))
        if answered is not None:
            yield Rival(other.when, answered, other.name)
    if own.fits or own.track is None or not own.track.shows(ON, OFF):
        return
    for control, each in controls.items():
        rule = Rule.of(control)
        if not rule.same_as(output.when) and each.shows(ON, OFF):
            answered = _answered(own, each, output, within_s=output.within_s)
            if answered:
                yield Rival(rule, answered)
                return


def _answered(own: OutputEvidence, rule: Track, planned: Output, *, within_s: float) -> int | None:
    """Count the exercises that an output answers; None unless it does all that a plan asks of one with this rule."""
    if own.track is None or not len(own.track.state) or not len(rule.state):
        return None
    stays_s = _stays_s(planned)
    found = answers(rule, own.track, within_s=within_s, run_on_s=stays_s)
    if not found.is_as_asked:
        return None
    if planned.cut_after_s is not None:
        return len(found.answered) or None
    longest_s = within_s + own.track.slack_s + rule.slack_s + stays_s
    return None if told_apart(rule, own.track, longer_than_s=longest_s) else len(found.answered)
