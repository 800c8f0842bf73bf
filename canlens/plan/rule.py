"""Rule: a condition over controls, ``horn and not (brake_front or brake_rear)``, in three-valued logic."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property, reduce
from typing import TYPE_CHECKING, TypeAlias, Union

import numpy as np
import numpy.typing as npt

from canlens.errors import RuleError

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


# Expression: what a rule says, as a small tree of names, ``not``, ``and`` and ``or``.


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


def renamed(expression: Expression, old: str, new: str) -> Expression:
    """Return the expression with another name in the place of one."""
    match expression:
        case Name(found):
            return Name(new) if found == old else expression
        case Held():
            return expression
        case Not(term):
            return Not(renamed(term, old, new))
        case Every(terms):
            return Every(tuple(renamed(term, old, new) for term in terms))
        case Either(terms):
            return Either(tuple(renamed(term, old, new) for term in terms))


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


# Rule: a condition over controls, ``horn and not (brake_front or brake_rear)``, in three-valued logic.


__all__ = ["KEYWORDS", "OFF", "ON", "UNKNOWN", "Rule", "States", "parse_rule"]

KEYWORDS = ("and", "or", "not")
"""Words of the rule language, in any case; no control may bear one of them as its name."""
MAX_DEPTH = 40
"""Parentheses and ``not`` within one another; the limit keeps the parser's stack small."""
MAX_CONTROLS = 16
"""Different controls of one rule; the limit keeps its truth table at 65 536 rows."""

_TOKEN = re.compile(r"[A-Za-z0-9_-]+|\S")
_NAME = re.compile(r"[A-Za-z0-9_-]+")
_OPERAND = "the name of a control, 'not' or '('"


@dataclass(frozen=True)
class Rule:
    """An expression over the names of controls.

    Two rules are equal (``==``) if they are written alike; :meth:`same_as` asks whether they mean the same.

    Attributes
    ----------
    text
        As written in the plan.
    controls
        Names in the expression, each once, in order of appearance.
    expression
        What the text says.
    """

    text: str
    controls: tuple[str, ...]
    expression: Expression

    @classmethod
    def of(cls, control: str) -> Rule:
        """Return the rule that is on while one control is on."""
        return cls.saying(Name(control))

    @classmethod
    def saying(cls, expression: Expression, text: str = "") -> Rule:
        """Return the rule that an expression says, written with few parentheses unless its text is given."""
        return cls(text or text_of(expression), names_in(expression), expression)

    def and_also(self, other: Rule) -> Rule:
        """Return the rule that is on while this one and another are."""
        return Rule.saying(Every((self.expression, other.expression)), f"({self}) and ({other})")

    def with_renamed(self, control: str, other: str) -> Rule:
        """Return the rule with another control in the place of one, written as it was."""
        text = _NAME.sub(lambda found: other if found.group() == control else found.group(), self.text)
        return Rule.saying(renamed(self.expression, control, other), text)

    def __str__(self) -> str:
        return self.text

    def evaluate(self, states: Mapping[str, States]) -> States:
        """Return the rule's state for each position of the controls' states.

        Parameters
        ----------
        states
            int8 (n,) for each control of the rule: 1 on, 0 off, -1 unknown. Others may be there too.

        Returns
        -------
        int8 (n,)
            1, 0, or -1 where an unknown control could change the result. A rule without controls (see
            :meth:`with_fixed`) takes its length from whatever states are given; from none, it is 1.

        Raises
        ------
        KeyError
            A control of the rule has no states.

        Examples
        --------
        >>> rule = parse_rule("horn and not brake", ["horn", "brake"])
        >>> horn, brake = np.array([1, 1, -1, -1], np.int8), np.array([0, -1, 0, 1], np.int8)
        >>> rule.evaluate({"horn": horn, "brake": brake}).tolist()
        [1, -1, -1, 0]
        """
        rows = next((len(states[name]) for name in self.controls or states), 1)
        return evaluate(self.expression, states, length=rows)

    def same_as(self, other: Rule) -> bool:
        """Return whether both rules have the same truth table over all controls that either names.

        Examples
        --------
        >>> known = ["a", "b"]
        >>> parse_rule("not (a or b)", known).same_as(parse_rule("not b and not a", known))
        True
        """
        return self.meaning() == other.meaning()

    def meaning(self) -> tuple[tuple[str, ...], bytes]:
        """Return what the rule means, whatever its wording; equal if, and only if, two rules are the same.

        Returns
        -------
        controls, table
            The controls that can change the result, sorted; the result for each of their settings, a byte
            each, as :meth:`table` orders them.
        """
        return self._meaning

    @cached_property
    def _meaning(self) -> tuple[tuple[str, ...], bytes]:
        rule: Rule = self
        for name in self.controls:
            off, on = rule.with_fixed(name, state=OFF), rule.with_fixed(name, state=ON)
            names = sorted({*off.controls, *on.controls})
            if np.array_equal(off.table(names), on.table(names)):
                rule = off
        names = sorted(rule.controls)
        return tuple(names), rule.table(names).tobytes()

    def table(self, controls: Collection[str]) -> States:
        """Return the rule's truth table.

        Parameters
        ----------
        controls
            The controls of the rule, in the order wanted; more may be among them.

        Returns
        -------
        int8 (2 ** number of controls,)
            1 or 0 for each setting of the controls, all off first, the first control changing slowest.
        """
        rows = np.arange(2 ** len(controls))
        slowest = len(controls) - 1
        columns = {name: (rows >> (slowest - i) & 1).astype(np.int8) for i, name in enumerate(controls)}
        return evaluate(self.expression, columns, length=len(rows))

    def with_fixed(self, control: str, *, state: int) -> Rule:
        """Return the rule with one control held on (1) or off (0).

        Terms that no longer matter are gone, and their controls with them. A rule that is then always on, or
        always off, has no controls; its text is ``always`` or ``never``.

        Examples
        --------
        >>> rule = parse_rule("horn and (a or not b)", ["horn", "a", "b"])
        >>> str(rule.with_fixed("horn", state=1)), str(rule.with_fixed("b", state=0))
        ('a or not b', 'horn')
        """
        if control not in self.controls:
            return self
        tree = hold(self.expression, control, on=state == ON)
        return Rule.saying(tree)


def parse_rule(text: str, known: Collection[str]) -> Rule:
    """Parse a rule: the names of controls, ``and``, ``or``, ``not`` and parentheses.

    ``not`` binds closest, then ``and``, then ``or``. These three may be written in any case; names may not.

    Parameters
    ----------
    text
        The rule as written.
    known
        Names of the plan's controls.

    Raises
    ------
    RuleError
        The text is no rule, or names an unknown control; says at which character.

    Examples
    --------
    >>> parse_rule("horn AND NOT (brake or door)", ["brake", "door", "horn"]).controls
    ('horn', 'brake', 'door')
    """
    expression = _Parser(text, known).parse()
    names = names_in(expression)
    if len(names) > MAX_CONTROLS:
        first_too_many = names[MAX_CONTROLS]
        position = next(m.start() + 1 for m in _TOKEN.finditer(text) if m.group() == first_too_many)
        raise RuleError(position, f"at most {MAX_CONTROLS} different controls", f"{len(names)}")
    return Rule(text, names, expression)


class _Parser:
    """Recursive descent over the tokens of one text."""

    def __init__(self, text: str, known: Collection[str]) -> None:
        self.known = known
        self.tokens = [(match.group(), match.start() + 1) for match in _TOKEN.finditer(text)]
        self.tokens.append(("", len(text) + 1))
        self.index = 0

    def parse(self) -> Expression:
        """Read one expression up to the end of the text."""
        expression = self._either(depth=0)
        if self._word():
            raise self._unexpected("'and', 'or' or the end of the rule", among=("and", "or"))
        return expression

    def _word(self) -> str:
        """Return the next token; keywords in small letters, the end as an empty text."""
        token = self.tokens[self.index][0]
        return token.lower() if token.lower() in KEYWORDS else token

    def _either(self, *, depth: int) -> Expression:
        terms = [self._every(depth=depth)]
        while self._word() == "or":
            self.index += 1
            terms.append(self._every(depth=depth))
        return terms[0] if len(terms) == 1 else Either(tuple(terms))

    def _every(self, *, depth: int) -> Expression:
        terms = [self._operand(depth=depth)]
        while self._word() == "and":
            self.index += 1
            terms.append(self._operand(depth=depth))
        return terms[0] if len(terms) == 1 else Every(tuple(terms))

    def _operand(self, *, depth: int) -> Expression:
        word = self._word()
        if depth >= MAX_DEPTH:
            raise self._unexpected(f"at most {MAX_DEPTH} of '(' and 'not' within one another")
        if word == "not":
            self.index += 1
            return Not(self._operand(depth=depth + 1))
        if word == "(":
            self.index += 1
            inner = self._either(depth=depth + 1)
            if self._word() != ")":
                raise self._unexpected("'and', 'or' or ')'", among=("and", "or"))
            self.index += 1
            return inner
        if word in self.known:
            self.index += 1
            return Name(word)
        if _NAME.fullmatch(word) and word not in KEYWORDS:
            raise self._unexpected("the name of a control", among=self.known)
        raise self._unexpected(_OPERAND)

    def _unexpected(self, expected: str, *, among: Collection[str] = ()) -> RuleError:
        token, position = self.tokens[self.index]
        close = tuple(get_close_matches(token, among, n=3)) if token else ()
        return RuleError(position, expected, f"'{token}'" if token else "the end of the rule", close=close)
