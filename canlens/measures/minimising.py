"""Minimising: settings of controls in which an output was on or off → the smallest rules that say just that."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_RULES = 8
"""Rules listed for one question; nobody compares more."""


class Smallest(NamedTuple):
    """One of the smallest rules: its text, and how often it names a control."""

    text: str
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
    (Smallest(text='horn', literals=1),)
    >>> [rule.text for rule in smallest_rules([0b11], [0b00], ["horn", "brake"])]
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
                found[table] = Smallest(_text(cubes, names, as_sum=as_sum), size)
    least = min(rule.literals for rule in found.values())
    return tuple(rule for rule in found.values() if rule.literals == least)[:MOST_RULES]


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


def _text(cubes: Sequence[Cube], names: Sequence[str], *, as_sum: bool) -> str:
    """Write the rule; as a product each cube says what must not be."""
    inner, outer = (" and ", " or ") if as_sum else (" or ", " and ")
    terms = []
    for cube in cubes:
        bits = [bit for bit in range(len(names)) if cube.mask >> bit & 1]
        positive = [bit for bit in bits if (cube.value >> bit & 1) == as_sum]
        words = [names[bit] if bit in positive else f"not {names[bit]}" for bit in bits]
        words.sort(key=lambda word: word.startswith("not "))
        brackets = not as_sum and len(words) > 1 and len(cubes) > 1
        terms.append((words, f"({inner.join(words)})" if brackets else inner.join(words)))
    terms.sort(key=lambda term: (len(term[0]) > 1, term[0][0].startswith("not ")))
    return outer.join(text for _, text in terms)
