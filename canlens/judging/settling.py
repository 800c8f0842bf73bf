"""Settling: what to operate, how often and for how long, so that what is not proven becomes an answer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import chain, combinations, islice
from typing import TYPE_CHECKING

import numpy as np

from canlens.judging.deviations import unseen_parts
from canlens.plan.rule import OFF, ON, UNKNOWN
from canlens.wording import listed, times

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from canlens.judging.deviations import Judged, Kind, Part
    from canlens.nouns.outputs import OutputEvidence
    from canlens.plan import Output
    from canlens.plan.rule import Rule, States
    from canlens.trace import Bools

TELLING_S = 2.0
"""How long controls are held to tell two rules apart [s]: long for any answer, short for any hand."""
SPARE_S = 5.0
"""A timer is waited for this much longer than it is planned [s]."""
UNSEEN_S = 1.0
"""How long a change may stay unseen where nothing of the output was received [s]."""
FLASHING_S = 3.0
ROUNDING = 1e-6
SHOWN_BY: dict[Kind, Part] = {
    "wrong-run-on": "run-on",
    "stuck": "run-on",
    "wrong-cut-off": "cut-off",
    "never-cut-off": "cut-off",
    "wrong-level-by-day": "level-by-day",
    "wrong-level-by-night": "level-by-night",
    "wrong-flashing": "flashing",
}
"""The part that must be seen once more where something excuses what was seen; other kinds take an exercise."""
MOST_SETTINGS = 1 << 12
"""Settings of the controls that are tried for an exercise, those with few controls on first: all there are of twelve
controls; nobody operates more of them at once."""


@dataclass(frozen=True)
class Exercise:
    """One thing to do while recording.

    Attributes
    ----------
    operate
        Controls to operate together; none: leave everything alone.
    on, off
        Controls that must be on, and off, meanwhile.
    count
        How often.
    hold_s, wait_s
        How long each time, and for how long to leave all alone afterwards [s].
    watch
        Outputs that must be watched by eye or ear, since the bus does not show them.
    is_more
        Whether it comes on top of exercises that were made before.
    apart
        Two rules that it is there to tell apart; any other exercise in which they differ does as well.
    """

    operate: frozenset[str]
    on: frozenset[str] = frozenset()
    off: frozenset[str] = frozenset()
    count: int = 1
    hold_s: float = TELLING_S
    wait_s: float = 0.0
    watch: tuple[str, ...] = ()
    is_more: bool = False
    apart: tuple[Rule, Rule] | None = None

    def with_also(self, other: Exercise) -> Exercise | None:
        """Return the one exercise that does for both; None where their settings exclude each other."""
        operate = self.operate & other.operate
        on, off = (self.operate | self.on | other.operate | other.on) - operate, self.off | other.off
        together = all(each.operate <= operate | rival.on for each, rival in ((self, other), (other, self)))
        if operate not in (self.operate, other.operate) or not together or off & (on | operate):
            return None
        return Exercise(
            operate,
            on,
            off,
            count=max(self.count, other.count),
            hold_s=max(self.hold_s, other.hold_s),
            wait_s=max(self.wait_s, other.wait_s),
            watch=tuple(dict.fromkeys((*self.watch, *other.watch))),
            is_more=self.is_more and other.is_more,
        )

    def tells(self, pair: tuple[Rule, Rule] | None) -> bool:
        """Tell whether two rules differ in it, whatever the controls that it does not name are doing."""
        if pair is None or self.hold_s < TELLING_S or self.watch:
            return False
        first, second = (rule.evaluate({name: self._state(name) for name in rule.controls})[0] for rule in pair)
        return bool(first != second) and UNKNOWN not in (first, second)

    def _state(self, control: str) -> States:
        """Return the state of a control meanwhile."""
        if control in self.operate | self.on:
            return np.array([ON], np.int8)
        return np.array([OFF if control in self.off else UNKNOWN], np.int8)

    def words(self, order: Iterable[str]) -> str:
        """Say what to do; ``order`` holds all controls as a person is used to see them."""
        order = tuple(order)
        names = [name for name in order if name in self.operate]
        often = times(self.count) + (" more" if self.is_more else "")
        done = f"operate {listed(names)} {often}" if names else "operate nothing"
        states = [
            f"{listed(held)} {'is' if len(held) == 1 else 'are'} {word}"
            for word, own in (("on", self.on), ("off", self.off))
            if (held := [name for name in order if name in own])
        ]
        each = "each time for" if self.count > 1 else "for"
        hold_s = math.ceil(self.hold_s * 10 - ROUNDING) / 10
        said = [f"{done}{' while ' + ' and '.join(states) if states else ''}, {each} at least {hold_s:.1f} s"]
        if self.wait_s:
            said.append(f"then leave it alone for {self.wait_s:g} s")
        if self.watch:
            said.append(f"watch {listed(self.watch)} and note with --observed what it does")
        return ", ".join(said)


def telling(first: Rule, second: Rule) -> Exercise | None:
    """Return the shortest exercise that tells two rules apart; None where they are the same, or none is simple."""
    names = tuple(dict.fromkeys((*first.controls, *second.controls)))
    found = _first_setting(names, lambda states: np.asarray(first.evaluate(states) != second.evaluate(states)))
    return found and replace(found, apart=(first, second))


def exercising(rule: Rule, control: str) -> Exercise:
    """Return the exercise of a control that shows a rule following it: the others held so that it matters."""
    names = tuple(name for name in rule.controls if name != control)

    def matters(states: dict[str, States]) -> Bools:
        off, on = (
            rule.evaluate({**states, control: np.full_like(states[""], state, dtype=np.int8)}) for state in (OFF, ON)
        )
        return np.asarray(off != on)

    found = _first_setting(names, matters)
    if found is None:
        return Exercise(frozenset({control}))
    return Exercise(frozenset({control}), on=found.operate, off=found.off)


def open_exercises(judged: Judged) -> Iterator[Exercise]:
    """List what would have to be done until one output is proven, or is known to fail.

    First the exercises that are missing, then those that an excuse took away, then what tells its rule from others,
    then the times, levels and flashing that were never seen to their end.
    """
    own, output = judged.own, judged.output
    watch = () if output.command is not None else (output.name,)
    hold_s = _hold(own, output)
    for each in (*_missing(judged), *_untold(own, output), *_parts(judged)):
        yield replace(each, hold_s=max(each.hold_s, hold_s), watch=watch)


def settled_by(unproven: Iterable[Judged]) -> tuple[Exercise, ...]:
    """Return a short list of exercises that settles all that is open of some outputs.

    Each open question joins the first exercise on the list with which it can be done together; rules that an exercise
    tells apart anyway need none of their own.
    """
    chosen: list[Exercise] = []
    for each in chain.from_iterable(map(open_exercises, unproven)):
        if any(known.tells(each.apart) for known in chosen):
            continue
        for place, known in enumerate(chosen):
            both = known.with_also(each)
            if both is not None:
                chosen[place] = both
                break
        else:
            chosen.append(each)
    return tuple(chosen)


def _missing(judged: Judged) -> Iterator[Exercise]:
    """Yield the exercises that were made too seldom, and one for those that do not count."""
    evidence, own, output = judged.evidence, judged.own, judged.output
    unseen = own.judged_from == "nothing" or evidence.recording.quality == "poor"
    counts = {control: 0 if unseen else own.exercised.get(control, 0) for control in output.when.controls}
    made = 0
    for control, count in counts.items():
        lacking = evidence.plan.exercises_needed(output, control) - count
        if lacking > 0:
            made = max(made, lacking)
            yield replace(exercising(output.when, control), count=lacking, hold_s=0.0, is_more=count > 0)
    fewest = min(evidence.plan.exercises_needed(output, control) for control in output.when.controls)
    lacking = fewest - len(own.answers.due)
    if lacking > made:
        due = len(own.answers.due)
        yield replace(_switching_on(output.when), count=lacking, hold_s=0.0, is_more=due > 0)
    if any(each.kind not in SHOWN_BY for each, _ in judged.excused):
        yield replace(_switching_on(output.when), hold_s=0.0, is_more=True)


def _untold(own: OutputEvidence, output: Output) -> Iterator[Exercise]:
    """Yield what tells the output's rule from those it was never told from."""
    for control, state in own.seen.untried:
        found = _mattering(output.when, control, state)
        if found is not None:
            yield found
    yield from filter(None, (telling(output.when, rival) for rival in own.confounded_with))
    if not any(each.same_as(output.when) for each in own.fits):
        yield from filter(None, (telling(own.fits[0], other) for other in own.fits[1:]))


def _mattering(rule: Rule, control: str, state: int) -> Exercise | None:
    """Return the exercise in which a control is held in a state, and the rule would be another in the other one."""
    held = rule.with_fixed(control, state=OFF if state == ON else ON)
    others = tuple(name for name in rule.controls if name != control)

    def matters(states: dict[str, States]) -> Bools:
        full = {**states, control: np.full_like(states[""], state, dtype=np.int8)}
        return np.asarray(held.evaluate(full) != rule.evaluate(full))

    found = _first_setting(others, matters)
    if found is None:
        return None
    held_on, held_off = (found.on | {control}, found.off) if state == ON else (found.on, found.off | {control})
    return replace(found, on=held_on, off=held_off)


def _parts(judged: Judged) -> Iterator[Exercise]:
    """Yield what shows the times, levels and flashing that the plan promises and nothing showed that counts."""
    output, on = judged.output, _switching_on(judged.output.when)
    hidden = (SHOWN_BY[each.kind] for each, _ in judged.excused if each.kind in SHOWN_BY)
    for part in dict.fromkeys((*unseen_parts(judged.own, output), *hidden)):
        match part:
            case "off":
                yield Exercise(frozenset(), off=frozenset(output.when.controls), hold_s=0.0)
            case "run-on":
                wait_s = (output.run_on_s or 0.0) + output.run_on_tolerance_s + SPARE_S
                yield replace(on, hold_s=0.0, wait_s=wait_s)
            case "cut-off" if output.pulse_s is not None:
                yield replace(on, hold_s=0.0, wait_s=output.pulse_s + SPARE_S)
            case "cut-off":
                yield replace(on, hold_s=(output.cut_after_s or 0.0) + output.cut_after_tolerance_s + SPARE_S)
            case "level-by-day" | "level-by-night":
                yield _by_light(on, output.night, at_night=part == "level-by-night")
            case "flashing" if output.flash_when is not None:
                yield replace(_switching_on(output.when.and_also(output.flash_when)), hold_s=FLASHING_S)


def _by_light(on: Exercise, night: str | None, *, at_night: bool) -> Exercise:
    """Return the exercise done by day or by night."""
    if night is None or night in on.operate:
        return on
    return replace(on, on=on.on | {night}, off=on.off - {night}) if at_night else replace(on, off=on.off | {night})


def _switching_on(rule: Rule) -> Exercise:
    """Return the exercise that brings a rule on with the fewest controls."""
    found = _first_setting(rule.controls, lambda states: np.asarray(rule.evaluate(states) == ON))
    return found or Exercise(frozenset(rule.controls))


def _first_setting(names: Iterable[str], wanted: Callable[[dict[str, States]], Bools]) -> Exercise | None:
    """Return the first setting of some controls, few on first, that is as wanted; None where none of those tried is.

    Of settings with equally many controls on, those with the later controls on come first.
    """
    known = tuple(names)
    few_first = chain.from_iterable(combinations(reversed(known), count) for count in range(len(known) + 1))
    settings = list(islice(few_first, MOST_SETTINGS))
    states = {name: np.array([name in operated for operated in settings], np.int8) for name in known}
    found = np.flatnonzero(wanted({**states, "": np.zeros(len(settings), np.int8)}))
    if not len(found):
        return None
    operated = frozenset(settings[int(found[0])])
    return Exercise(operated, off=frozenset(known) - operated)


def _hold(own: OutputEvidence, output: Output) -> float:
    """Return how long an exercise must last to be judged [s]."""
    return output.settles_s + (own.track.slack_s if own.track else UNSEEN_S) + 0.1
