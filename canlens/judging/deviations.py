"""Deviations: what an output did wrong, at which link, what it follows instead, and what excuses it.

This is the one place that decides so; verdict, chain, exercises, checks and causes read it. A new kind of wrong is a
line of :func:`_seen` with its sentence in :data:`WORDS`; a new excuse is an entry of :data:`EXCUSES`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from canlens.nouns.outputs import Places
from canlens.nouns.tracks import FEWEST_EDGES
from canlens.plan.rule import OFF, ON
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from canlens.nouns.outputs import Evidence, LevelEvidence, OutputEvidence, Rival, Timer
    from canlens.plan import Output, Rule
    from canlens.signals import Floats
    from canlens.trace import Bools


# Deviations: the kinds of wrong, each with its link and its sentence.


Kind = Literal[
    "unmoved-control",
    "unanswered",
    "late",
    "unasked",
    "dropped-out",
    "wrong-run-on",
    "stuck",
    "wrong-cut-off",
    "never-cut-off",
    "dropped",
    "wrong-level-by-day",
    "wrong-level-by-night",
    "wrong-flashing",
    "over-current",
    "no-current",
    "no-voltage",
    "stray-current",
    "interrupted-current",
    "off-label",
    "sag",
    "seen-otherwise",
]
ANSWERS: tuple[Kind, ...] = ("unanswered", "late", "unasked")
"""The kinds that say how an output answers its rule."""
TIMERS: tuple[Kind, ...] = ("wrong-run-on", "stuck", "wrong-cut-off", "never-cut-off")
"""The kinds that hold a time against the planned one."""

WORDS: dict[Kind, str] = {
    "unmoved-control": "{count} of the presses of {control} that the marks tell of do not show in its signal",
    "unanswered": "{count} of {due} exercises not answered",
    "late": "{count} of {due} exercises answered too late",
    "unasked": "came on {times} without being asked",
    "dropped-out": "came on in time and went off again at once, {times}",
    "wrong-run-on": "run-on is {span}, planned {planned:g} s",
    "stuck": "stayed on although its run-on of {planned:g} s had passed",
    "wrong-cut-off": "cut-off is {span}, planned {planned:g} s",
    "never-cut-off": "stayed on although its cut-off of {planned:g} s had passed",
    "dropped": "went off {times} while still asked for",
    "wrong-level-by-day": "level by day is {seen:.4g}, planned {planned:.4g}",
    "wrong-level-by-night": "level by night is {seen:.4g}, planned {planned:.4g}",
    "wrong-flashing": "flashes at {seen:.2g} Hz, planned {planned:.2g} Hz",
    "over-current": "current above its limit (up to {seen:.3g} A)",
    "no-current": "commanded on, but no current flows",
    "no-voltage": "commanded on, but there is no voltage",
    "stray-current": "current flows while it is commanded off",
    "interrupted-current": "its current breaks off and returns while it is on, {times}",
    "off-label": "draws {seen:.2g} A, its label says {planned:g} A",
    "sag": "pulls the supply down to {seen:.3g} V, planned is {planned:g} V at least",
    "seen-otherwise": "was seen otherwise than the bus says {times}",
}
AT_ONCE: dict[Kind, str] = {
    "wrong-run-on": "went off too late ({span} after its rule)",
    "stuck": "stayed on while its rule was off",
}
"""What is said instead of an output that should go off with its rule."""


@dataclass(frozen=True)
class Followed:
    """What an output follows.

    Attributes
    ----------
    value
        Its own rule, that of an output that follows this one's in return, that of another output, some other rule, or
        none that is known.
    rules
        Those that explain it if they are not its own, the likeliest first.
    partners
        Outputs with which it may be exchanged, or whose rule it follows, the likeliest first.
    answered
        How many exercises bear that out.
    """

    value: Literal["own", "exchanged", "another's", "other", "none"]
    rules: tuple[Rule, ...] = ()
    partners: tuple[str, ...] = ()
    answered: int = 0

    @property
    def partner(self) -> str:
        """The likeliest output that it may be exchanged with, or whose rule it follows; empty where there is none."""
        return next(iter(self.partners), "")


OWN = Followed("own")


@dataclass(frozen=True, eq=False)
class Deviation:
    """What an output did wrong in one way.

    Attributes
    ----------
    kind, link
        In which way, and at which link of its chain; no link where nothing tells where it broke.
    steps
        Where; none where nothing came that should have.
    least, most
        float64: bounds of all figures of this kind that were measured, right ones among them: times [s], levels,
        frequencies [Hz], currents [A].
    planned
        The figure that was planned; nan where there is none.
    due
        How many exercises count.
    control
        The control at fault, where it is one.
    excused_by
        Name of the :class:`Excuse` that explains these steps; empty where they are the output's own wrong.
    instead
        What the output follows; its own rule where that is not the question, or too few exercises tell.
    """

    kind: Kind
    link: str
    steps: Places
    least: Floats = field(default_factory=lambda: np.zeros(0))
    most: Floats = field(default_factory=lambda: np.zeros(0))
    planned: float = np.nan
    due: int = 0
    control: str = ""
    excused_by: str = ""
    instead: Followed = OWN

    @property
    def rule(self) -> Rule | None:
        """The rule that is followed instead of the output's own; None where none is known."""
        return next(iter(self.instead.rules), None)

    @property
    def sentence(self) -> str:
        """What it did, as a short sentence without its subject."""
        words = AT_ONCE.get(self.kind, WORDS[self.kind]) if not self.planned else WORDS[self.kind]
        count = self.due if self.control else len(self.steps)
        low, high = _middle(self.least), _middle(self.most)
        return words.format(
            control=self.control,
            count=count,
            due=self.due,
            times=times(count),
            planned=self.planned,
            seen=low,
            span=f"{high:.2f} s" if high - low < 0.01 else f"{low:.2f} to {high:.2f} s",  # noqa: PLR2004 – what is shown
        )

    def where(self, mask: Bools, *, excused_by: str = "") -> Deviation:
        """Return the part of it that some of its steps make up."""
        kept = replace(self, steps=self.steps.where(mask), excused_by=excused_by)
        return replace(kept, least=self.least[mask], most=self.most[mask]) if self.kind == "late" else kept


def deviations(evidence: Evidence, name: str, *kinds: Kind) -> tuple[Deviation, ...]:
    """Return what an output did otherwise than planned in one recording, the worst first; excused steps apart.

    Parameters
    ----------
    evidence
        Of one recording: steps and what excuses them must count from the same frame.
    name
        Of the output.
    kinds
        To look for; none: all.
    """
    found = [each for each in _judged(evidence, name) if not kinds or each.kind in kinds]
    if not any(each.kind in ANSWERS and not each.excused_by for each in found):
        return tuple(found)
    instead = followed(evidence, name)
    if instead.answered < FEWEST_EDGES:
        return tuple(found)
    return tuple(
        replace(each, instead=instead) if each.kind in ANSWERS and not each.excused_by else each for each in found
    )


def wrongs(evidence: Evidence, name: str, *kinds: Kind) -> tuple[Deviation, ...]:
    """Return the deviations of an output that nothing excuses."""
    return tuple(each for each in deviations(evidence, name, *kinds) if not each.excused_by)


def followed(evidence: Evidence, name: str) -> Followed:
    """Tell what an output follows.

    An output that answers every exercise, though too late, follows its own rule. Only outputs that stray from their
    rule without an excuse can be exchanged.
    """
    if not _strays(evidence, name):
        return OWN
    own, outputs = evidence.outputs[name], evidence.plan.outputs
    taken = {each.output: each for each in own.rivals if each.output and _strays(evidence, each.output)}
    back = {other: each.answered for other in taken for each in evidence.outputs[other].rivals if each.output == name}
    if back:
        first, answered = next(iter(back.items()))
        return Followed("exchanged", (outputs[first].when,), tuple(back), min(answered, taken[first].answered))
    planned = outputs[name].when
    late = {each.kind for each in _judged(evidence, name) if each.kind in ANSWERS and not each.excused_by} == {"late"}
    if late or any(rule.same_as(planned) for rule in own.fits):
        return OWN
    if own.track is None or own.track.shows(ON, OFF):
        return _other(own, list(taken.values()))
    return Followed("none")


def _other(own: OutputEvidence, taken: Sequence[Rival]) -> Followed:
    """Tell what an output follows which follows another rule than its own; ``taken`` are those of other outputs."""
    if taken:
        first, partners = taken[0], tuple(each.output for each in taken)
        rules = (first.rule, *(each for each in own.fits if not each.same_as(first.rule)))
        return Followed("another's", rules, partners, first.answered)
    if own.fits:
        return Followed("other", own.fits, answered=own.seen.explained)
    alone = [each for each in own.rivals if not each.output]
    return Followed("other", (alone[0].rule,), answered=alone[0].answered) if alone else Followed("none")


def _strays(evidence: Evidence, name: str) -> bool:
    """Tell whether an output does something else than its rule asks, and nothing excuses it."""
    own = evidence.outputs[name]
    if own.is_always_on or own.follows_other_than(evidence.plan.outputs[name].when):
        return True
    return any(each.kind in ANSWERS and not each.excused_by for each in _judged(evidence, name))


def _judged(evidence: Evidence, name: str) -> Iterator[Deviation]:
    """Yield all deviations, the steps of each under what excuses them."""
    for found in _seen(evidence, name):
        left = np.ones(len(found.steps), bool)
        for excuse in EXCUSES:
            covered = left & excuse.covers(evidence, found)
            if covered.any():
                yield found.where(covered, excused_by=excuse.name)
                left &= ~covered
        if left.any() or found.control:
            yield found.where(left)


def _seen(evidence: Evidence, name: str) -> Iterator[Deviation]:
    """Yield everything that can be wrong, the worst first; without steps where it is right."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    for control in output.when.controls:
        if evidence.controls[control].is_unmoved:
            missed = evidence.controls[control].missed
            yield Deviation("unmoved-control", "control-change", Places.none(), control=control, due=missed)
    found, due = own.answers, len(own.answers.due)
    link = "commanded" if own.judged_from == "bus" else ""
    yield Deviation("unanswered", link, found.unanswered, due=due)
    yield Deviation("late", link, found.late, found.late_s, found.late_s, output.within_s, due)
    yield Deviation("unasked", link, found.unasked, due=due)
    yield Deviation("dropped-out", link, found.dropped_out, due=due)
    yield from _of_timer("wrong-run-on", "stuck", own.release)
    yield from _of_timer("wrong-cut-off", "never-cut-off", own.cut_off)
    yield Deviation("dropped", "release", own.dropped)
    yield from _of_looks(own, output)
    yield from _of_load(own, output)
    if evidence.supply is not None and name in evidence.supply.sags:
        lowest_v = np.array([evidence.supply.lowest_v or np.nan])
        limit_v = evidence.plan.controller.supply_min_v or np.nan
        yield Deviation("sag", "controller", evidence.supply.sags[name], lowest_v, lowest_v, limit_v)
    yield Deviation("seen-otherwise", "load", own.disagreed)


def _of_timer(wrong: Kind, overdue: Kind, timer: Timer | None) -> Iterator[Deviation]:
    """Yield what is wrong about the time at which an output goes off."""
    if timer is not None:
        for kind, steps in ((wrong, timer.wrong), (overdue, timer.overdue)):
            yield Deviation(kind, "release", steps, timer.shortest_s, timer.longest_s, timer.planned_s)


def _of_looks(own: OutputEvidence, output: Output) -> Iterator[Deviation]:
    """Yield what is wrong about level and flashing."""
    levels: tuple[tuple[Kind, LevelEvidence | None], ...] = (
        ("wrong-level-by-day", own.day),
        ("wrong-level-by-night", own.night),
    )
    for kind, level in levels:
        if level is not None:
            yield Deviation(kind, "commanded", level.wrong, level.medians, level.medians, level.wanted)
    if own.flash is not None:
        seen_hz, planned_hz = own.flash.frequency_hz, output.flash_hz or np.nan
        yield Deviation("wrong-flashing", "commanded", own.flash.wrong, seen_hz, seen_hz, planned_hz)


def _of_load(own: OutputEvidence, output: Output) -> Iterator[Deviation]:
    """Yield what is wrong about current and voltage."""
    if own.load is not None:
        highest_a = np.array([own.load.highest_a])
        yield Deviation("over-current", "output", own.load.over_limit, highest_a, highest_a)
        yield Deviation("no-current", "output", own.load.no_current)
        yield Deviation("no-voltage", "output", own.load.no_voltage)
        yield Deviation("stray-current", "output", own.load.current_when_off)
        yield Deviation("interrupted-current", "output", own.load.interrupted)
        net_a = np.array([own.load.net_a])
        yield Deviation("off-label", "output", own.load.off_label, net_a, net_a, output.load_a or np.nan)


def _middle(figures: Floats) -> float:
    return float(np.median(figures)) if len(figures) else np.nan


# Excuses: what explains a deviation, so that it is no wrong of the output; nor is the output proven then.


BEFORE_S = 1.5
AFTER_S = 1.5
"""So long before and after a restart what an output did is laid to it: the exercise that pulled the supply down, and
the return of what was on (our choice, a little more than the second in which a restart counts as the output's)."""
LONGER = 1.5
"""A restart this many planned times after the edge still explains what the timer did: it began anew."""
NOT_BY_RESTARTS: tuple[Kind, ...] = ("unmoved-control", "over-current", "stray-current", "seen-otherwise")
"""Kinds that a restart does not explain; too high a current may be what makes the controller restart."""


class Excuse(NamedTuple):
    """What explains deviations.

    Attributes
    ----------
    name, words
        As deviations bear it, and what is said behind them; ``{node}`` is the controller.
    link
        The link that is broken instead; empty where nothing of the install is.
    covers
        Tells which steps of a deviation it explains.
    """

    name: str
    words: str
    link: str
    covers: Callable[[Evidence, Deviation], Bools]


def _restarting(evidence: Evidence, found: Deviation) -> Bools:
    """Tell which steps lie about a restart of the controller."""
    covered = np.zeros(len(found.steps), bool)
    if evidence.supply is None or found.kind in NOT_BY_RESTARTS:
        return covered
    lead_s = BEFORE_S + (LONGER * found.planned if found.kind in TIMERS else 0.0)
    for start_s, stop_s in evidence.supply.restarts_s.tolist():
        covered |= (found.steps.time_s >= start_s - lead_s) & (found.steps.time_s <= stop_s + AFTER_S)
    return covered


EXCUSES: tuple[Excuse, ...] = (Excuse("restart", "but {node} restarted meanwhile", "controller", _restarting),)
"""The first that covers a step excuses it."""


# Parts: what the plan promises of an output beside its answers, and nothing showed.


Part = Literal["off", "run-on", "cut-off", "level-by-day", "level-by-night", "flashing", "flashing-in-time"]
"""Off with its rule, as the eye sees it; its times; its levels; its flashing, and rows often enough to show that."""


def unseen_parts(own: OutputEvidence, output: Output) -> tuple[Part, ...]:
    """Return what of the plan was never seen to its end."""
    unseen: dict[Part, bool] = {
        "off": own.judged_from == "observed" and not own.seen_off,
        "run-on": output.run_on_s is not None and own.release is not None and not own.release.completed,
        "cut-off": own.cut_off is not None and not own.cut_off.is_shown,
        "level-by-day": own.day is not None and not len(own.day.medians),
        "level-by-night": own.night is not None and not len(own.night.medians),
        "flashing-in-time": own.flash is not None and not own.flash.is_fine,
        "flashing": own.flash is not None and own.flash.is_fine and not own.flash.stretches,
    }
    return tuple(part for part, is_unseen in unseen.items() if is_unseen)


# Judged: one output with all that decides about it.


@dataclass(frozen=True, eq=False)
class Judged:
    """One output of a job.

    Attributes
    ----------
    evidence
        The recordings that decide for it, as one.
    own, output
        What was measured on it in these, and what is planned.
    deviations
        What it did otherwise than planned in any of them.
    """

    evidence: Evidence
    own: OutputEvidence
    output: Output
    deviations: tuple[Deviation, ...]

    @property
    def wrongs(self) -> list[Deviation]:
        """What is the output's own wrong, the worst first."""
        return [each for each in self.deviations if not each.excused_by]

    @property
    def excused(self) -> list[tuple[Deviation, Excuse]]:
        """What is not, each with its excuse."""
        by_name = {each.name: each for each in EXCUSES}
        return [(each, by_name[each.excused_by]) for each in self.deviations if each.excused_by]
