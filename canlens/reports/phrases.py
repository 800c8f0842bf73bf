"""Phrases: how every report says what a result, a plan or a cause holds."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from canlens import wording
from canlens.causes import ALL
from canlens.plan.rule import Either, Every, Held, Name, Not

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.plan import Output, Rule
    from canlens.plan.rule import Expression
    from canlens.results.check import CheckResult
    from canlens.results.finding import Cause


# Cautions of every report.


CAUTIONS = (
    "Battery: take the negative lead off first and put it back last. Measure ohms only with it off.",
    "Fuse: put it at the source end of every supply you add, and fit it as the last thing.",
    "Airbag circuits: do not probe, splice or route near them, nor anything joined to them.",
    "Bus: listen only. Never transmit on a vehicle's bus, and never bridge a gateway.",
    "On the road: whoever drives or rides watches no laptop.",
    "Stop lamp, main beam, ignition cut: try these last; the original must work without the controller.",
    "Over-current: test it only with a fused test load.",
    "Horns and flashing lamps: check the local code.",
    "The vehicle maker's manual comes before this report. In doubt, ask a licensed electrician or workshop.",
)
"""The cautions that stand under every report; each finding brings its own besides."""
BUS_CAUTIONS = (CAUTIONS[0], *CAUTIONS[2:5], CAUTIONS[8])
"""Those that belong to work on the bus itself."""


# Untested: what a verdict does not cover, as sentences that every report and the hand-over share.


NEVER_SHOWN = "Wiring, fuses, ground and terminating resistors: a recording never shows them."


class Untested(NamedTuple):
    """Something that was neither passed nor failed, and what would prove it (empty where nothing is named)."""

    what: str
    proof: str = ""


def untested(result: CheckResult) -> list[Untested]:
    """Return what a recording leaves open: outputs without proof, links that cannot be told, what no log shows."""
    told = []
    for name, output in result.outputs.items():
        if output.verdict == "not-proven":
            proof = f"To prove it: {wording.sentence(output.next_exercise)}" if output.next_exercise else ""
            told.append(Untested(f"{name}: {wording.sentence(output.reason)}", proof))
    for link, plain in wording.LINKS.items():
        names = [name for name, output in result.outputs.items() if output.links[link] == "cannot-tell"]
        if names:
            whose = "any output" if len(names) == len(result.outputs) else wording.listed(names)
            told.append(Untested(f'Link "{plain}" was not shown for {whose}.'))
    return [*told, Untested(NEVER_SHOWN)]


# Rule words: what an output is planned to do, as a person would say it.


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
        return f"{wording.listed(names, last=joint)} {are} {'on' if on else 'off'}"
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


# Cause words: the causes in the order and the form in which people read them.


LIKELY = 0.5
"""A cause above this is named at the head of the page."""
OF_ONE_OUTPUT = ("supply-sag", "interference-from-output")
"""Faults outside the outputs that one output brings on when it turns on."""
ALIKE = 0.005
"""Probabilities that differ by less than what is printed are equal."""


def as_read(causes: Sequence[Cause]) -> list[Cause]:
    """Sort causes, the likeliest first, those that only differ in outputs never seen apart as one.

    Where outputs always turn on together, each is as likely as the others to bring on the fault: three causes of a
    third each are one that is nearly sure, at one of three outputs.
    """
    alike: defaultdict[tuple[str, int], list[Cause]] = defaultdict(list)
    for number, each in enumerate(causes):
        share = round(each.probability / ALIKE) if each.cause in OF_ONE_OUTPUT else -1 - number
        alike[each.cause, share].append(each)
    return sorted((_joined(each) for each in alike.values()), key=lambda each: -each.probability)


def _joined(causes: Sequence[Cause]) -> Cause:
    """Return several causes that cannot be told apart as one."""
    first, names = causes[0], [name for each in causes for name in each.subject]
    if len(causes) == 1:
        return first
    every, either = wording.listed(names), wording.listed(names, last="or")
    apart = f"Then unplug the loads of {every} one at a time to see with which it goes."
    return replace(
        first,
        subject=(either,),
        probability=min(sum(each.probability for each in causes), 1.0),
        because=(*first.because, f"{every} were never seen apart"),
        next_test=f"{first.next_test} {apart}" if first.next_test else apart,
    )


NO_CAUSES = {
    "none-of-these": "None of the known causes explains it",
    "not-enough-evidence": "Too little was seen to name a cause",
}


def cause_words(cause: Cause) -> str:
    """Say in plain words what is wrong with what; the name of a cause that the catalogue does not have."""
    page = next((each.docstring for each in ALL if each.name == cause.cause), f"{cause.cause}: {cause.cause}.")
    title = NO_CAUSES.get(cause.cause) or page.partition("\n")[0].partition(": ")[2]
    return wording.sentence(f"{wording.listed(cause.subject)}: {title}" if cause.subject else title)


def cause_name(cause: Cause) -> str:
    """Return a cause with what it concerns."""
    subject = f": {wording.listed(cause.subject)}" if cause.subject else ""
    return f"{cause.cause}{subject} ({cause.scope})"


def likely_cause(causes: Sequence[Cause]) -> Cause | None:
    """Return the likeliest of some causes; None where none is likely, or it names no test."""
    likely = next(iter(as_read(causes)), None)
    return likely if likely is not None and likely.probability > LIKELY and likely.next_test else None
