"""Expression: what a rule says, as a small tree of names, ``not``, ``and`` and ``or``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import TYPE_CHECKING, TypeAlias, Union

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

States: TypeAlias = npt.NDArray[np.int8]
"""int8: 1 on, 0 off, -1 unknown."""

OFF, ON, UNKNOWN = 0, 1, -1

Expression: TypeAlias = Union["Name", "Held", "Not", "Every", "Either"]


@dataclass(frozen=True)
class Name:
    """On while the control of that name is on."""

    name: str


@dataclass(frozen=True)
class Held:
    """Always on, or always off."""

    on: bool


@dataclass(frozen=True)
class Not:
    """On while the term is off."""

    term: Expression


@dataclass(frozen=True)
class Every:
    """On while all terms are on: ``and``."""

    terms: tuple[Expression, ...]


@dataclass(frozen=True)
class Either:
    """On while at least one term is on: ``or``."""

    terms: tuple[Expression, ...]


def names_in(expression: Expression) -> tuple[str, ...]:
    """Return the names in the expression, each once, in order of appearance."""
    match expression:
        case Name(name):
            return (name,)
        case Held():
            return ()
        case Not(term):
            return names_in(term)
        case Every(terms) | Either(terms):
            return tuple(dict.fromkeys(name for term in terms for name in names_in(term)))


def text_of(expression: Expression) -> str:
    """Write the expression, with few parentheses; a held one reads ``always`` or ``never``."""
    match expression:
        case Name(name):
            return name
        case Held(on):
            return "always" if on else "never"
        case Not(term):
            return f"not {_bracketed(term, Every | Either)}"
        case Every(terms):
            return " and ".join(_bracketed(term, Every | Either) for term in terms)
        case Either(terms):
            return " or ".join(_bracketed(term, Either) for term in terms)


def hold(expression: Expression, name: str, *, on: bool) -> Expression:
    """Return the expression with one name always on or off, and without the terms that no longer matter.

    The shortening holds in Kleene logic too: what the longer form leaves unknown, the shorter one does.
    """
    match expression:
        case Name(found):
            return Held(on) if found == name else expression
        case Held():
            return expression
        case Not(term):
            rest = hold(term, name, on=on)
            return Held(not rest.on) if isinstance(rest, Held) else Not(rest)
        case Every(terms):
            return _shortened(Every, [hold(term, name, on=on) for term in terms], decides=False)
        case Either(terms):
            return _shortened(Either, [hold(term, name, on=on) for term in terms], decides=True)


def evaluate(expression: Expression, states: Mapping[str, States], *, length: int) -> States:
    """Evaluate the expression in Kleene's strong three-valued logic, for each position of the states.

    Parameters
    ----------
    expression
        What to evaluate.
    states
        int8 (length,) for each name of the expression: 1 on, 0 off, -1 unknown.
    length
        Number of positions.

    Returns
    -------
    int8 (length,)
        1, 0, or -1 where an unknown name could change the result.

    References
    ----------
    S. C. Kleene, Introduction to Metamathematics (1952), section 64: the strong tables. With the order
    off < unknown < on, ``and`` is the minimum, ``or`` the maximum, and ``not`` turns the order round.
    """
    ranks = _ranks(expression, {name: _rank(states[name]) for name in names_in(expression)}, length=length)
    return np.where(ranks == 1, np.int8(UNKNOWN), ranks >> 1)


def _rank(states: States) -> States:
    """Order the states: 0 off, 1 unknown, 2 on."""
    return np.where(states < 0, np.int8(1), np.int8(2) * states)


def _ranks(expression: Expression, ranks: Mapping[str, States], *, length: int) -> States:
    """Evaluate the expression over ordered states."""
    match expression:
        case Name(name):
            return ranks[name]
        case Held(on):
            return np.full(length, 2 if on else 0, dtype=np.int8)
        case Not(term):
            return np.int8(2) - _ranks(term, ranks, length=length)
        case Every(terms):
            return reduce(np.minimum, (_ranks(term, ranks, length=length) for term in terms))
        case Either(terms):
            return reduce(np.maximum, (_ranks(term, ranks, length=length) for term in terms))


def _bracketed(term: Expression, kinds: type | object) -> str:
    """Write a term, in parentheses if it is of one of the kinds."""
    text = text_of(term)
    return f"({text})" if isinstance(term, kinds) else text  # type: ignore[arg-type]


def _shortened(kind: type[Every | Either], terms: list[Expression], *, decides: bool) -> Expression:
    """Join the terms: a held one either decides the whole or drops out."""
    if Held(decides) in terms:
        return Held(decides)
    left = tuple(term for term in terms if not isinstance(term, Held))
    if not left:
        return Held(not decides)
    return left[0] if len(left) == 1 else kind(left)
