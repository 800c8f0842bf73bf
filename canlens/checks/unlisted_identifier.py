"""unlisted-identifier: identifiers were recorded that no database defines.

Looks for
    Data frames under identifiers without a message in the databases; and among the messages that never came, one whose
    identifier is nearly the same: one digit apart, 11 against 29 bits, only the J1939 source address apart, or a number
    written as decimal that is hexadecimal.
Why it matters
    A slip in an identifier makes a message vanish though it is there all the time.
Evidence
    The identifiers and how often each came; lines of the first frames; the message that is nearly the same.
Cannot tell
    Whether the near miss is a slip or chance: no database lists all that is on a bus.
Next step
    Compare the identifier in the database with the papers of the device; for J1939 let canlens match parameter groups.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, BusCheck, lines_of
from canlens.results.finding import Finding
from canlens.wording import some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import DefinitionEvidence, UnlistedIdentifier


HOW = {
    "format": "the same number, with {bits} instead of {other_bits} bits",
    "source-address": "only the J1939 source address is another",
    "hexadecimal": "its number may have been written as decimal instead of hexadecimal",
    "digit": "one digit apart, or two exchanged",
}
"""How two identifiers differ, in words."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find identifiers without a message, near misses first."""
    definitions = evidence.definitions
    near = [each for each in definitions.unlisted if each.near is not None]
    for each in near[:MOST_LINES]:
        yield from _near_miss(definitions, each)
    if definitions.by_group:
        yield _by_group(definitions)
    rest = [each for each in definitions.unlisted if each.near is None]
    if rest:
        frames = sum(each.frames for each in rest)
        names = some(_name(each) for each in sorted(rest, key=lambda each: -each.frames))
        yield Finding(
            check="unlisted-identifier",
            severity="note",
            subject=(),
            claim=f"{len(rest)} identifiers ({frames} frames) stand in no database: {names}.",
            evidence=lines_of(*(each.places for each in rest[:1])),
            cannot_tell="What they mean; a database seldom lists all that is on a bus.",
            next_step="Nothing, unless a control or an output of the plan is missing.",
            would_change="A database that lists them.",
        )


def _near_miss(definitions: DefinitionEvidence, each: UnlistedIdentifier) -> Iterator[Finding]:
    near = each.near
    if near is None:
        return
    how = HOW[near.kind].format(bits=_bits(each.is_extended), other_bits=_bits(near.is_extended))
    is_grave = definitions.planned is None or definitions.concerns_plan(near.name)
    step = f"Compare the identifier of {near.name} with the papers of its sender, and correct the database."
    if near.kind == "source-address":
        step = "Set match_pgn = true under [bus] in the plan (survey: --match-pgn): then no source address counts."
    yield Finding(
        check="unlisted-identifier",
        severity="warning" if is_grave else "note",
        subject=(near.name,),
        claim=(
            f"{_name(each)} came {each.frames} times and stands in no database; message {near.name}"
            f" (0x{near.identifier:x}) never came: {how}."
        ),
        evidence=lines_of(each.places),
        cannot_tell="Whether this is a slip or chance.",
        next_step=step,
        would_change=f"Frames of 0x{near.identifier:x}, or a database with {_name(each)}.",
    )


def _by_group(definitions: DefinitionEvidence) -> Finding:
    """Tell which messages were found though no database lists their identifiers."""
    shown = (f"{name} as 0x{others[0]:x}" for name, others in definitions.by_group.items())
    count = len(definitions.by_group)
    return Finding(
        check="unlisted-identifier",
        severity="note",
        subject=(),
        claim=f"{count} messages were found by their J1939 parameter group, as asked: {some(shown)}.",
        cannot_tell="Whether the sender is the one that the database means.",
        next_step="Nothing, if these are the devices of this vehicle.",
        would_change="A database with these identifiers.",
    )


def _name(each: UnlistedIdentifier) -> str:
    return f"0x{each.identifier:x}"


def _bits(is_extended: bool) -> int:  # noqa: FBT001 – the property of an identifier
    return 29 if is_extended else 11


CHECK = BusCheck("unlisted-identifier", find)
