"""Rule words: what an output is planned to do, as a person would say it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.plan.expression import Either, Every, Held, Name, Not

if TYPE_CHECKING:
    from canlens.plan import Output, Rule
    from canlens.plan.expression import Expression


def plain_name(name: str) -> str:
    """Return the name of a control or output with blanks for what joins its words.

    Examples
    --------
    >>> plain_name("brake_front")
    'brake front'
    """
    return " ".join(name.replace("_", " ").split()) or name


def rule_words(rule: Rule) -> str:
    """Say when a rule is on.

    Examples
    --------
    >>> from canlens.plan import parse_rule
    >>> known = ["horn", "brake_front", "brake_rear", "key"]
    >>> rule_words(parse_rule("horn and key", known)), rule_words(parse_rule("not (horn or key)", known))
    ('horn and key are on', 'horn and key are off')
    >>> rule_words(parse_rule("key and (brake_front or not horn)", known))
    'key is on and (brake front is on or horn is off)'
    """
    return rule.text if rule.expression is None else _phrase(rule.expression, on=True)


def _phrase(expression: Expression, *, on: bool) -> str:
    """Say an expression, or its opposite."""
    match expression:
        case Name(name):
            return f"{plain_name(name)} is {'on' if on else 'off'}"
        case Held(held):
            return "always" if held == on else "never"
        case Not(term):
            return _phrase(term, on=not on)
        case Every(terms):
            return _several(terms, "and" if on else "or", on=on)
        case Either(terms):
            return _several(terms, "or" if on else "and", on=on)


def _several(terms: tuple[Expression, ...], joint: str, *, on: bool) -> str:
    names = [plain_name(term.name) for term in terms if isinstance(term, Name)]
    if len(names) == len(terms):
        are = "is" if joint == "or" else "are"
        return f"{', '.join(names[:-1])} {joint} {names[-1]} {are} {'on' if on else 'off'}"
    told = [_phrase(term, on=on) for term in terms]
    return f" {joint} ".join(
        f"({each})" if isinstance(_core(term), Every | Either) else each for term, each in zip(terms, told, strict=True)
    )


def _core(expression: Expression) -> Expression:
    """Return what stands under any number of ``not``."""
    while isinstance(expression, Not):
        expression = expression.term
    return expression


def planned_words(output: Output) -> str:
    """Say all that an output is planned to do: its rule, timers, levels and flashing."""
    told = [f"On while {rule_words(output.when)}"]
    if output.run_on_s:
        told.append(f"stays on {output.run_on_s:g} s longer")
    if output.cut_after_s:
        told.append(f"goes off after {output.cut_after_s:g} s at the latest")
    unit = output.level.definition.unit if output.level else ""
    space = " " if unit else ""
    if output.level_day is not None:
        told.append(f"level {output.level_day:g}{space}{unit}")
    if output.level_night is not None and output.night:
        told.append(f"{output.level_night:g}{space}{unit} while {plain_name(output.night)} is on")
    if output.flash_when is not None:
        rate = f" {output.flash_hz:g} times a second" if output.flash_hz else ""
        told.append(f"flashes{rate} while {rule_words(output.flash_when)}")
    return "; ".join(told)
