"""Truth tables: how often an output was on in each setting of the controls, and the smallest rules that say so."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from canlens.measures.outputs.observations import OBSERVED_S
from canlens.nouns.tracks import ROUNDING_S
from canlens.plan.rule import OFF, ON, UNKNOWN, Either, Every, Name, Not, Rule, States

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canlens.nouns.tracks import Scene, Track
    from canlens.plan.rule import Expression
    from canlens.signals import Floats
    from canlens.trace import Bools, Ints

    Settings = npt.NDArray[np.int8]


# Minimising: settings of controls in which an output was on or off → the smallest rules that say just that.


MOST_RULES = 8
"""Rules listed for one question; nobody compares more."""


class Smallest(NamedTuple):
    """One of the smallest rules, and how often it names a control."""

    rule: Rule
    literals: int


class Cube(NamedTuple):
    """Settings that agree in the controls of ``mask``: those whose bits there are ``value``."""

    mask: int
    value: int

    def covers(self, row: int) -> bool:
        """Tell whether a setting is one of them."""
        return row & self.mask == self.value


def smallest_rules(on: Iterable[int], off: Iterable[int], names: Sequence[str]) -> tuple[Smallest, ...]:
    """Find the smallest rules that are on in some settings and off in others.

    Of the settings in neither list nothing is known: rules may differ there, and each that is as small is listed. A
    rule is an *or* of *ands*, or an *and* of *ors*, and is as large as the number of controls it writes, counted as
    often as they are written.

    Parameters
    ----------
    on, off
        Settings as numbers: bit i is set where the control ``names[i]`` is on. None is in both.
    names
        At most a handful of controls: the search is exact.

    Returns
    -------
    tuple
        Equally small rules that mean different things, at most :data:`MOST_RULES`; empty unless there are settings
        of both kinds.

    References
    ----------
    E. J. McCluskey, "Minimization of Boolean Functions", Bell System Technical Journal 35 (1956), with the settings
    never seen as don't-cares.

    Examples
    --------
    >>> smallest_rules([0b01, 0b11], [0b00, 0b10], ["horn", "brake"])
    (Smallest(rule=Rule(text='horn', controls=('horn',), expression=Name(name='horn')), literals=1),)
    >>> [str(each.rule) for each in smallest_rules([0b11], [0b00], ["horn", "brake"])]
    ['horn', 'brake']
    """
    lit, dark = sorted(set(on)), sorted(set(off))
    if not lit or not dark:
        return ()
    found: dict[int, Smallest] = {}
    for wanted, avoided, as_sum in ((lit, dark, True), (dark, lit, False)):
        for cubes in _covers(wanted, _primes(avoided, len(names))):
            size = sum(cube.mask.bit_count() for cube in cubes)
            table = _table(cubes, len(names), as_sum=as_sum)
            if table not in found or size < found[table].literals:
                found[table] = Smallest(_rule(cubes, names, as_sum=as_sum), size)
    least = min(each.literals for each in found.values())
    return tuple(each for each in found.values() if each.literals == least)[:MOST_RULES]


def _primes(avoided: Sequence[int], width: int) -> list[Cube]:
    """Return the largest cubes that hold none of the settings to avoid."""
    allowed: set[Cube] = set()
    for spec in product((None, 1, 0), repeat=width):
        mask = sum(1 << bit for bit, state in enumerate(spec) if state is not None)
        cube = Cube(mask, sum(1 << bit for bit, state in enumerate(spec) if state))
        if not any(cube.covers(row) for row in avoided):
            allowed.add(cube)
    return sorted(
        (each for each in allowed if not any(larger in allowed for larger in _widened(each, width))),
        key=lambda each: (each.mask.bit_count(), each.mask, -each.value),
    )


def _widened(cube: Cube, width: int) -> Iterable[Cube]:
    """Yield the cubes with one control less."""
    for bit in range(width):
        if cube.mask >> bit & 1:
            mask = cube.mask & ~(1 << bit)
            yield Cube(mask, cube.value & mask)


def _covers(wanted: Sequence[int], primes: Sequence[Cube]) -> list[tuple[Cube, ...]]:
    """Return the cheapest sets of primes that hold all wanted settings, by number of controls written."""
    best: list[tuple[Cube, ...]] = []
    least = [sum(cube.mask.bit_count() for cube in primes) + 1]

    def extend(left: frozenset[int], chosen: tuple[Cube, ...], size: int) -> None:
        if size > least[0] or (size == least[0] and left):
            return
        if not left:
            if size < least[0]:
                least[0] = size
                best.clear()
            if set(chosen) not in map(set, best):
                best.append(chosen)
            return
        hardest = min(left, key=lambda row: sum(cube.covers(row) for cube in primes))
        for cube in primes:
            if cube.covers(hardest):
                rest = frozenset(row for row in left if not cube.covers(row))
                extend(rest, (*chosen, cube), size + cube.mask.bit_count())

    extend(frozenset(wanted), (), 0)
    return best[:MOST_RULES]


def _table(cubes: Sequence[Cube], width: int, *, as_sum: bool) -> int:
    """Return the truth table as a number: bit r is set where the rule is on in setting r."""
    covered = (any(cube.covers(row) for cube in cubes) for row in range(1 << width))
    return sum(1 << row for row, inside in enumerate(covered) if inside == as_sum)


def _rule(cubes: Sequence[Cube], names: Sequence[str], *, as_sum: bool) -> Rule:
    """Write the rule, plain controls and short terms first; as a product each cube says what must not be."""
    inner, outer = (Every, Either) if as_sum else (Either, Every)
    terms = []
    for cube in cubes:
        bits = [bit for bit in range(len(names)) if cube.mask >> bit & 1]
        words: list[Expression] = [
            Name(names[bit]) if (cube.value >> bit & 1) == as_sum else Not(Name(names[bit])) for bit in bits
        ]
        terms.append(sorted(words, key=lambda word: isinstance(word, Not)))
    terms.sort(key=lambda term: (len(term) > 1, isinstance(term[0], Not)))
    joined = [inner(tuple(term)) if len(term) > 1 else term[0] for term in terms]
    return Rule.saying(outer(tuple(joined)) if len(joined) > 1 else joined[0])


# Moments: how often an output was on, and off, in each setting of the controls that held long enough to tell.


MOST_IN_ONE_NUMBER = 39
"""States of so many controls fit into one number of 63 bits, which is sorted faster than they are."""


class Moments(NamedTuple):
    """The truth table that a job shows: settings of the controls, and what the output did in them.

    Attributes
    ----------
    names
        The m controls of the plan.
    states
        int8 (r, m): settings, each once: 1 on, 0 off, -1 unknown.
    on, off
        int64 (r,): separate moments in which the output was settled on, and off.
    places, voted, begins
        (k,): the moments in the order of time: row of ``states`` (int64), state of the output (int8), and whether a
        recording begins there.
    """

    names: tuple[str, ...]
    states: Settings
    on: Ints
    off: Ints
    places: Ints
    voted: States
    begins: Bools

    @classmethod
    def of(cls, scenes: Sequence[Scene]) -> Moments:
        """Gather what several recordings of one job show."""
        names = tuple(scenes[0].controls) if scenes else ()
        parts = [_seen_on_bus(scene) if scene.output else _seen_by_eye(scene) for scene in scenes]
        states = np.concatenate([np.zeros((0, len(names)), np.int8), *(part[0] for part in parts)])
        voted = np.concatenate([np.zeros(0, np.int8), *(part[1] for part in parts)])
        none = np.zeros(0, np.int64)
        if not len(states):
            return cls(names, states, none, none, none, voted, np.zeros(0, np.bool_))
        begins = np.concatenate([np.arange(len(part[1])) == 0 for part in parts])
        rows, place = _distinct(states)
        return cls(
            names,
            rows,
            np.bincount(place[voted == ON], minlength=len(rows)),
            np.bincount(place[voted == OFF], minlength=len(rows)),
            place,
            voted,
            begins,
        )

    def moving(self) -> list[int]:
        """Return which controls were seen both on and off."""
        return [
            column
            for column in range(len(self.names))
            if (self.states[:, column] == ON).any() and (self.states[:, column] == OFF).any()
        ]

    def contradicting(self, rule: Rule) -> int:
        """Count the moments that contradict a rule; where its controls are unknown none does."""
        result = self._results(rule)
        return int(self.on[result == OFF].sum() + self.off[result == ON].sum())

    def stretches_contradicting(self, rule: Rule) -> int:
        """Count the stretches that contradict a rule: moments in a row with one state of rule and output count once.

        An exercise that was not answered contradicts its rule once, however often other controls changed meanwhile.
        """
        result = self._results(rule)[self.places]
        against = ((result == OFF) & (self.voted == ON)) | ((result == ON) & (self.voted == OFF))
        same = np.append(False, self.voted[1:] == self.voted[:-1]) & ~self.begins
        goes_on = same & np.append(False, against[:-1])
        return int((against & ~goes_on[: len(against)]).sum())

    def _results(self, rule: Rule) -> States:
        """Return what a rule says in each setting."""
        return rule.evaluate({name: self.states[:, column] for column, name in enumerate(self.names)})


def _distinct(states: Settings) -> tuple[Settings, Ints]:
    """Return the different rows, ascending, and the place of each row among them."""
    if states.shape[1] > MOST_IN_ONE_NUMBER:
        rows, place = np.unique(states, axis=0, return_inverse=True)
        return rows, place.ravel()
    code = np.zeros(len(states), np.int64)
    for column in states.T:
        code *= ON - UNKNOWN + 1
        code += column - UNKNOWN
    _, first, place = np.unique(code, return_index=True, return_inverse=True)
    return states[first], place


def _seen_on_bus(scene: Scene) -> tuple[Settings, States]:
    """Return the settings that held long enough to be answered, and the output's settled state in each.

    An output that rose in time and went off by itself was on; one that comes late, or goes off late, is judged by its
    last state. What a run-on or a cut-off may explain is no moment.
    """
    assert scene.output is not None  # noqa: S101 – as the caller has seen
    output = scene.output
    need_s = scene.within_s + output.slack_s + ROUNDING_S
    start_s, stop_s, since_s = _spans(scene, output)
    long = stop_s - start_s >= need_s
    start_s, stop_s = start_s[long], np.clip(since_s[long], start_s[long] + need_s, stop_s[long])
    before, after = output.at(start_s, side="left"), output.at(stop_s, side="left")
    rise_s = output.time_s[output.rises]
    rose = np.searchsorted(rise_s, stop_s, "left") > np.searchsorted(rise_s, start_s, "left")
    rose_in_time = np.searchsorted(rise_s, start_s + need_s, "right") > np.searchsorted(rise_s, start_s, "left")
    voted = np.where((after == OFF) & (before == OFF) & rose_in_time, np.int8(ON), after)
    voted[output.ever(UNKNOWN, start_s, np.nextafter(stop_s, -np.inf))] = UNKNOWN
    if scene.stays_s:
        voted[(voted == ON) & (before == ON) & ~rose & (stop_s - start_s < scene.stays_s + need_s)] = UNKNOWN
    if scene.is_cut_off:
        voted[(voted == OFF) & _after_cut_off(scene, output, start_s, stop_s, need_s)] = UNKNOWN
    told = voted != UNKNOWN
    return _settings(scene, start_s[told]), voted[told]


def _seen_by_eye(scene: Scene) -> tuple[Settings, States]:
    """Return the settings in which something was seen of the output, and what it was.

    Off counts only where the controls had settled. On during a short exercise counts for all that was on about then.
    """
    time_s = np.array([each.time_s for each in scene.observed]) + scene.offset_s
    on = np.array([each.on for each in scene.observed], bool)
    change_s = np.sort(np.concatenate([np.zeros(0), *(each.time_s[1:] for each in scene.controls.values())]))
    since_s = time_s - OBSERVED_S - scene.within_s - np.where(on, scene.stays_s, 0.0)
    until_s = time_s + OBSERVED_S
    settled = np.searchsorted(change_s, since_s) == np.searchsorted(change_s, until_s)
    about = [each.ever(ON, since_s, until_s) for each in scene.controls.values()]
    states = _settings(scene, time_s)
    if about:
        states = np.where(np.stack(about, axis=1) & ~settled[:, None], np.int8(ON), states)
    counts = on | (settled & (not scene.is_cut_off))
    return states[counts], on[counts].astype(np.int8)


def _spans(scene: Scene, output: Track) -> tuple[Floats, Floats, Floats]:
    """Return from when to when no control changed, and up to when surely not: the row before the next change."""
    every = [each.led(scene.lead_s) for each in scene.controls.values()]
    every_s = np.concatenate([np.zeros(0), *(each.time_s for each in every)])
    change_s, place = np.unique(every_s, return_inverse=True)
    since_s = change_s.copy()
    np.minimum.at(since_s, place, np.concatenate([np.zeros(0), *(each.since_s for each in every)]))
    end_s = min([output.end_s, *(each.end_s for each in every)])
    ends_s = [max(end_s, change_s[-1])] if len(change_s) else []
    return change_s, np.append(change_s[1:], ends_s), np.append(since_s[1:], ends_s)


def _settings(scene: Scene, time_s: Floats) -> Settings:
    """Return the state of every control at each time, as int8 (n, m)."""
    columns = [each.at(time_s) for each in scene.controls.values()]
    return np.stack(columns, axis=1) if columns else np.zeros((len(time_s), 0), np.int8)


def _after_cut_off(scene: Scene, output: Track, start_s: Floats, stop_s: Floats, need_s: float) -> Bools:
    """Tell which spans may see the output off because it was cut off while its rule lasts.

    A fall that no control explains is a cut-off; it lasts until the control that had turned the output on changes.
    """
    maybe = np.zeros(len(start_s), bool)
    change_s = np.unique(np.concatenate([np.zeros(0), *(each.time_s[1:] for each in scene.controls.values())]))
    for fall in output.falls:
        fall_s, rise_s = output.time_s[fall], output.time_s[fall - 1]
        last = np.searchsorted(change_s, fall_s, "right") - 1
        if last >= 0 and fall_s - change_s[last] <= need_s and change_s[last] > rise_s:
            continue
        until_s = np.inf
        for each in scene.controls.values():
            began = np.searchsorted(each.time_s, rise_s, "right") - 1
            if began > 0 and rise_s - each.time_s[began] <= need_s and began + 1 < len(each.time_s):
                until_s = min(until_s, each.time_s[began + 1])
        maybe |= (stop_s > fall_s) & (start_s < until_s)
    return maybe
