"""Checks: how the databases and the recording fit together.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, lines_of
from canlens.results.finding import Finding
from canlens.wording import counted, some

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.database import DatabaseProblem
    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.definitions import (
        DefinitionEvidence,
        OddValue,
        OtherLength,
        StillSignal,
        SwappedBytes,
        UncoveredBits,
        UnlistedIdentifier,
        UnseenMessage,
    )
    from canlens.nouns.outputs import Evidence


UNUSED_ENTRY_FEW = 3
"""Up to so many entries are told one by one, wherever they stand."""


def unused_entry(evidence: Evidence) -> Iterator[Finding]:
    """unused-entry: an entry of the databases could not be used as it stands.

    Looks for
        Entries that were mended or dropped while the databases of the plan were read; everything else in them is
        used.
    Why it matters
        A signal that is defined wrongly decodes wrongly, and the install is blamed for it.
    Evidence
        File and line, what stood there, what was expected, what was done with it and the likely mend.
    Cannot tell
        What the author meant.
    Next step
        Mend the line; run the check again.
    """
    problems = evidence.plan.database.problems
    definitions = evidence.bus_evidence.definitions
    own = [each for each in problems if definitions.concerns_plan(each.message)]
    rest = [each for each in problems if not definitions.concerns_plan(each.message)]
    few = rest if sum(each.count for each in rest) <= UNUSED_ENTRY_FEW else []
    for each in own[:MOST_LINES]:
        yield _finding(each, is_own=True)
    for each in few:
        yield _finding(each, is_own=False)
    if len(own) > MOST_LINES:
        yield _together(own[MOST_LINES:])
    if rest and not few:
        yield _together(rest)


def _finding(problem: DatabaseProblem, *, is_own: bool) -> Finding:
    count = f" ({problem.count} times)" if problem.count > 1 else ""
    done = f" {problem.done}" if problem.done else ""
    return Finding(
        check="unused-entry",
        severity="warning" if is_own else "note",
        subject=(problem.message,) if problem.message else (),
        claim=f"{_place(problem)}: found {problem.found}{count}; expected {problem.expected}.{done}",
        cannot_tell="What the author meant.",
        next_step=problem.mend or "Mend this line of the database and run the check again.",
        would_change="A database without it.",
    )


def _together(problems: list[DatabaseProblem]) -> Finding:
    """Put many problems into one finding, file by file."""
    files = Counter[str]()
    for each in problems:
        files[each.file] += each.count
    counts = some(f"{count} in {file or 'the database'}" for file, count in files.items())
    lines = some((f"line {each.line}: {each.found}" for each in problems), most=UNUSED_ENTRY_FEW)
    return Finding(
        check="unused-entry",
        severity="note",
        subject=(),
        claim=f"Entries that could not be used as they stand: {counts} ({lines}).",
        cannot_tell="What the author meant.",
        next_step="Nothing, unless the plan needs one of them; canlens.read_database(...).problems lists all.",
        would_change="A database without them.",
    )


def _place(problem: DatabaseProblem) -> str:
    file = problem.file or "DBC"
    return f"{file}, line {problem.line}" if problem.line else file


HOW = {
    "format": "the same number, with {bits} instead of {other_bits} bits",
    "source-address": "only the J1939 source address is another",
    "hexadecimal": "its number may have been written as decimal instead of hexadecimal",
    "digit": "one digit apart, or two exchanged",
}
"""How two identifiers differ, in words."""


def unlisted_identifier(evidence: BusEvidence) -> Iterator[Finding]:
    """unlisted-identifier: identifiers were recorded that no database defines.

    Looks for
        Data frames under identifiers without a message in the databases; and among the messages that never came,
        one whose identifier is nearly the same: one digit apart, 11 against 29 bits, only the J1939 source address
        apart, or a number written as decimal that is hexadecimal.
    Why it matters
        A slip in an identifier makes a message vanish though it is there all the time.
    Evidence
        The identifiers and how often each came; lines of the first frames; the message that is nearly the same.
    Cannot tell
        Whether the near miss is a slip or chance: no database lists all that is on a bus.
    Next step
        Compare the identifier in the database with the papers of the device; for J1939 let canlens match parameter
        groups.
    """
    definitions = evidence.definitions
    near = [each for each in definitions.unlisted if each.near is not None]
    for each in near[:MOST_LINES]:
        yield from _near_miss(definitions, each)
    if definitions.by_group:
        yield _by_group(definitions)
    rest = [each for each in definitions.unlisted if each.near is None]
    if rest:
        frames = sum(each.frames for each in rest)
        names = some(_unlisted_identifier_name(each) for each in sorted(rest, key=lambda each: -each.frames))
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
            f"{_unlisted_identifier_name(each)} came {each.frames} times and stands in no database; message {near.name}"
            f" (0x{near.identifier:x}) never came: {how}."
        ),
        evidence=lines_of(each.places),
        cannot_tell="Whether this is a slip or chance.",
        next_step=step,
        would_change=f"Frames of 0x{near.identifier:x}, or a database with {_unlisted_identifier_name(each)}.",
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


def _unlisted_identifier_name(each: UnlistedIdentifier) -> str:
    return f"0x{each.identifier:x}"


def _bits(is_extended: bool) -> int:  # noqa: FBT001 – the property of an identifier
    return 29 if is_extended else 11


def other_length(evidence: BusEvidence) -> Iterator[Finding]:
    """other-length: a message is longer or shorter than its database says.

    Looks for
        Messages whose usual payload length is not the declared one.
    Why it matters
        It may be another message under the same identifier: then its signals decode to nonsense. Signals behind the
        end of a short frame are never there.
    Evidence
        Declared and recorded lengths with the number of frames; lines of the first ones.
    Cannot tell
        Which of the two is wrong.
    Next step
        Find out for which model the database was written; correct the length or look for the right database.
    """
    definitions = evidence.definitions
    own = [each for each in definitions.lengths if definitions.concerns_plan(each.name)]
    for each in own:
        lost = f" {some(each.lost)} cannot be read from the shortest." if each.lost else ""
        yield Finding(
            check="other-length",
            severity="warning",
            subject=(each.name,),
            claim=f"{each.name} is declared with {each.declared} bytes but came with {_counts(each)}.{lost}",
            evidence=lines_of(each.places),
            cannot_tell="Whether the database or the sender is another model than thought.",
            next_step=f"Check {each.name} in the database: is it the message of this vehicle?",
            would_change=f"Frames of {each.declared} bytes.",
        )
    rest = [each for each in definitions.lengths if not definitions.concerns_plan(each.name)]
    if rest:
        names = some(f"{each.name} ({each.declared} declared, {_counts(each)})" for each in rest)
        yield Finding(
            check="other-length",
            severity="warning" if definitions.planned is None else "note",
            subject=tuple(each.name for each in rest[:1]),
            claim=f"Not as long as declared: {names}.",
            evidence=lines_of(*(each.places for each in rest)),
            cannot_tell="Whether the database is that of another model.",
            next_step="Trust signals of these messages only after a look at the database.",
            would_change="Frames as long as declared.",
        )


def _counts(message: OtherLength) -> str:
    return " and ".join(f"{length} in {count} frames" for length, count in sorted(message.counts.items())[:3])


def swapped_bytes(evidence: BusEvidence) -> Iterator[Finding]:
    """swapped-bytes: a signal moves smoothly only with its bytes in the other order.

    Looks for
        Signals of two to four whole bytes that jump by about 256 again and again, while the same bytes read in the
        other order move in small steps; at least thirty changes, and a way eight times as long.
    Why it matters
        With the wrong byte order a signal still moves, but its values are nonsense.
    Evidence
        How often it jumped, how much longer its way is than in the other order; lines of the first jumps.
    Cannot tell
        Whether the bytes are one signal at all.
    Next step
        Change @1 to @0 (or @0 to @1) and the start bit in the database, then compare with what can be seen or
        measured.
    """
    definitions = evidence.definitions
    for each in definitions.swapped:
        is_grave = definitions.planned is None or definitions.concerns_plan(each.path)
        yield Finding(
            check="swapped-bytes",
            severity="warning" if is_grave else "note",
            subject=(each.path,),
            claim=_claim(each),
            evidence=lines_of(each.places),
            cannot_tell="Whether these bytes are one signal at all.",
            next_step=f"Give {each.path} the other byte order in the database, and compare with what can be measured.",
            would_change="A signal that moves in small steps as declared.",
        )


def _claim(signal: SwappedBytes) -> str:
    return (
        f"{signal.path} jumped by about 256 in {signal.jumps} of {signal.moves} changes; with its bytes in the other"
        f" order it moves in steps {signal.ratio:.0f} times smaller."
    )


def undeclared_value(evidence: BusEvidence) -> Iterator[Finding]:
    """undeclared-value: signals showed values that their definition does not know.

    Looks for
        Values outside the declared range, and values without a text where the table names all the others.
    Why it matters
        A wrong start bit, length, byte order or factor shows first in values that cannot be.
    Evidence
        Signal, how many frames, least and greatest of these values, the declared range; lines of the first ones.
    Cannot tell
        Whether the definition or the declared range is wrong: many databases declare ranges carelessly.
    Next step
        Compare the signal with what the display or the meter shows at the same moment.
    """
    definitions = evidence.definitions
    odd = [each for each in definitions.odd_values if each.kind in {"range", "table"}]
    for each in odd:
        if definitions.concerns_plan(each.path):
            yield Finding(
                check="undeclared-value",
                severity="warning",
                subject=(each.path,),
                claim=f"{each.path} showed {_values(each)} in {each.count} of {each.frames} frames; {_declared(each)}.",
                evidence=lines_of(each.places),
                cannot_tell="Whether the signal's layout or only its declaration is wrong.",
                next_step=f"Compare {each.path} with what can be seen or measured at the same moment.",
                would_change="Values that the database declares.",
            )
    rest = [each for each in odd if not definitions.concerns_plan(each.path)]
    if rest:
        shown = some(f"{each.path} ({_values(each)}; {_declared(each)})" for each in rest)
        yield Finding(
            check="undeclared-value",
            severity="warning" if definitions.planned is None else "note",
            subject=tuple(each.path for each in rest[:1]),
            claim=f"{len(rest)} signals showed values that the databases do not declare: {shown}.",
            evidence=lines_of(*(each.places for each in rest)),
            cannot_tell="Whether their layout or only their declaration is wrong.",
            next_step="Trust these signals only after a comparison with what can be seen or measured.",
            would_change="Values that the databases declare.",
        )


def _values(value: OddValue) -> str:
    unit = f" {value.unit}" if value.unit else ""
    if value.least == value.greatest:
        return f"{value.least:g}{unit}"
    return f"{value.least:g} to {value.greatest:g}{unit}"


def _declared(value: OddValue) -> str:
    return f"the table names {value.declared}" if value.kind == "table" else f"declared is {value.declared}"


WORDS = {"error": "error", "not-available": "not available"}


def unavailable_value(evidence: BusEvidence) -> Iterator[Finding]:
    """unavailable-value: signals said error or not available.

    Looks for
        In messages with 29-bit identifiers, signals of one, two or four whole bytes whose top byte is FE (error) or
        FF (not available), as J1939 reserves them: outside the declared range, or in every frame where no range is
        declared.
    Why it matters
        Such a value is no measured value: the sender has no sensor there, or a broken one.
    Evidence
        Signal, how many of its frames; lines of the first ones.
    Cannot tell
        Whether the message follows J1939 at all; the two-bit states are left to the value tables.
    Next step
        List the raw values under "unknown" in the plan if a control uses the signal; look for a signal with a
        value.
    """
    definitions = evidence.definitions
    odd = [each for each in definitions.odd_values if each.kind in WORDS]
    own = [each for each in odd if definitions.concerns_plan(each.path)]
    rest = [each for each in odd if not definitions.concerns_plan(each.path)]
    for found, is_own in ((own, True), (rest, False)):
        if found:
            yield Finding(
                check="unavailable-value",
                severity="warning" if is_own else "note",
                subject=tuple(each.path for each in found[:1]),
                claim=f"{counted(len(found), 'signal')} said error or not available: "
                f"{some(map(_unavailable_shown, found))}.",
                evidence=lines_of(*(each.places for each in found)),
                cannot_tell="Whether the message follows J1939, which reserves these values.",
                next_step="Look for a signal that has a value, or list these raw values as unknown in the plan.",
                would_change="Frames with a measured value.",
            )


def _unavailable_shown(value: OddValue) -> str:
    return f"{value.path} ({WORDS[value.kind]} in {value.count} of {value.frames} frames)"


def uncovered_bits(evidence: BusEvidence) -> Iterator[Finding]:
    """uncovered-bits: bits moved where no signal lies.

    Looks for
        Bits of defined messages that were 0 in one frame and 1 in another, though no signal of the message covers
        them.
    Why it matters
        What a control does may show in a bit that the database does not know; a signal may be declared too short.
    Evidence
        Message and bits (byte.bit, bit 0 the least significant); line of the first move.
    Cannot tell
        What they mean: counters and checksums are often left out of a database.
    Next step
        If a control does not show in any signal, look at these bits while it is operated.
    """
    definitions = evidence.definitions
    own = [each for each in definitions.uncovered if definitions.concerns_plan(each.name)]
    rest = [each for each in definitions.uncovered if not definitions.concerns_plan(each.name)]
    for found in (own, rest):
        if found:
            bits = sum(len(each.bits) for each in found)
            yield Finding(
                check="uncovered-bits",
                severity="note",
                subject=tuple(each.name for each in found[:1]),
                claim=f"{bits} bits moved where no signal lies: {some(map(_uncovered_bits_shown, found))}.",
                evidence=lines_of(*(each.places for each in found)),
                cannot_tell="What they mean; counters and checksums are often left out of a database.",
                next_step="Look at these bits if a control shows in no signal.",
                would_change="A database with signals there.",
            )


def _uncovered_bits_shown(message: UncoveredBits) -> str:
    """Return the bits as ranges, byte by byte: ``Body 3.0-3.3``."""
    spans: list[list[int]] = []
    for bit in message.bits:
        if spans and bit == spans[-1][1] + 1 and bit % 8:
            spans[-1][1] = bit
        else:
            spans.append([bit, bit])
    return f"{message.name} {some(map(_span, spans), most=3)}"


def _span(ends: list[int]) -> str:
    first, last = (f"{bit // 8}.{bit % 8}" for bit in ends)
    return first if first == last else f"{first}-{last}"


def still_signal(evidence: BusEvidence) -> Iterator[Finding]:
    """still-signal: signals never moved during the whole recording.

    Looks for
        Signals with one raw value in all of their frames, at least twenty.
    Why it matters
        What never moved was not exercised, or does not lie where the database says.
    Evidence
        The signals and their raw values.
    Cannot tell
        Whether the thing itself stood still.
    Next step
        Operate what the signal stands for while recording, and look again.
    """
    definitions = evidence.definitions
    own = [each for each in definitions.still if definitions.concerns_plan(each.path)]
    rest = [each for each in definitions.still if not definitions.concerns_plan(each.path)]
    for found, whose in ((own, "in messages of the plan"), (rest, _whose(definitions))):
        if found:
            yield Finding(
                check="still-signal",
                severity="note",
                subject=tuple(each.path for each in found[:1]),
                claim=f"{counted(len(found), 'signal')} {whose} never moved: {some(map(_still_signal_shown, found))}.",
                cannot_tell="Whether the thing itself stood still.",
                next_step="Operate what the signal stands for while recording, if it is needed.",
                would_change="A recording in which it moves.",
            )


def _whose(definitions: DefinitionEvidence) -> str:
    return "of the databases" if definitions.planned is None else "of other messages"


def _still_signal_shown(signal: StillSignal) -> str:
    return f"{signal.path} (raw {signal.raw:g})"


UNSEEN_MESSAGE_FEW = 0.2
"""A database of which less than this share came is probably that of another bus (our choice)."""


def unseen_message(evidence: BusEvidence) -> Iterator[Finding]:
    """unseen-message: messages of the databases never came.

    Looks for
        Messages without a single frame in a recording that has traffic. Those that the plan needs are told by
        missing-message.
    Why it matters
        A database of another model year, or of another bus of the vehicle, fits only in part.
    Evidence
        How many messages, their names and identifiers.
    Cannot tell
        Whether they are sent on another bus, on demand, or not at all.
    Next step
        If hardly any message of the database came, look for the database that belongs to this bus.
    """
    definitions = evidence.definitions
    unseen = [each for each in definitions.unseen if not definitions.concerns_plan(each.name)]
    if not unseen:
        return
    whole = definitions.messages
    is_foreign = whole - len(definitions.unseen) < UNSEEN_MESSAGE_FEW * whole
    word = "message" if whole == 1 else "messages"
    yield Finding(
        check="unseen-message",
        severity="warning" if is_foreign else "note",
        subject=(),
        claim=f"{len(unseen)} of the {whole} {word} in the databases never came: {some(map(_unseen_name, unseen))}.",
        cannot_tell="Whether they are sent on another bus, on demand, or not at all.",
        next_step="Look for the database that belongs to this bus."
        if is_foreign
        else "Nothing, if none of them is needed.",
        would_change="Frames of these messages.",
    )


def _unseen_name(message: UnseenMessage) -> str:
    return f"{message.name} (0x{message.identifier:x})"
