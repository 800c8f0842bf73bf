"""Cases of the checks that hold the databases against the recording."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from canlens.database import DatabaseProblem, Message, SignalDefinition
from canlens.trace import COLUMNS, Payload
from tests.unit.check_cases import Cases, healthy
from tests.unit.small_jobs import without_frames

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.unit.small_jobs import Job

BELL = 0x1A3
NUMBER = 0x18FEF100
ON = SignalDefinition("On", 0, 8)


def bell(*signals: SignalDefinition, identifier: int = BELL, length: int = 2, is_extended: bool = False) -> Message:
    return Message("Bell", identifier, is_extended=is_extended, length=length, signals=signals or (ON,))


def with_message(one: Job, *messages: Message) -> Job:
    """Return the job with more messages in its database."""
    database = replace(one.plan.database, messages=(*one.plan.database.messages, *messages))
    return replace(one, plan=replace(one.plan, database=database))


def with_frames(one: Job, payloads: Sequence[bytes], *, identifier: int = BELL, is_extended: bool = False) -> Job:
    """Return the job with more frames at the end of its recording, a millisecond apart."""
    trace = one.trace
    more = np.arange(1, len(payloads) + 1)
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(trace, name), np.zeros(len(more), kind)]) for name, kind in COLUMNS.items()
    }
    last = len(trace)
    columns["time_ns"][last:] = trace.time_ns[-1] + 1_000_000 * more
    columns["identifier"][last:] = identifier
    columns["is_extended"][last:] = is_extended
    columns["line"][last:] = trace.line[-1] + more
    payload = Payload.of([*trace.payload, *payloads])
    return replace(one, trace=replace(trace, **columns, payload=payload))


def rung(values: Sequence[int], *, message: Message | None = None, width: int = 2) -> Job:
    """Return the healthy job with a bell that shows some values, least byte first."""
    own = message or bell()
    payloads = [value.to_bytes(width, "little") for value in values]
    return with_frames(with_message(healthy(), own), payloads, identifier=own.identifier, is_extended=own.is_extended)


def swapped(moves: int) -> Job:
    """Return a job with a 16-bit number that counts with its bytes exchanged."""
    values = [int.from_bytes((240 + step).to_bytes(2, "big"), "little") for step in range(moves + 1)]
    return rung(values, message=bell(SignalDefinition("Count", 0, 16)))


def level(*values: int) -> Job:
    """Return a job with a message of 29 bits that shows a level of 0 to 250."""
    own = SignalDefinition("Level", 0, 8, minimum=0, maximum=250)
    return rung([1, 2, *values], message=bell(own, identifier=NUMBER, is_extended=True))


RANGED = bell(SignalDefinition("On", 0, 8, minimum=0, maximum=10))
LONG = bell(length=4)


CASES = {
    "unlisted-identifier": Cases(
        fires=lambda: with_frames(with_message(healthy(), bell()), [b"\1\0"] * 3, identifier=BELL + 0x10),
        subject=("Bell",),
        limit=lambda: with_message(healthy(), bell()),
        little=lambda: without_frames(with_message(healthy(), bell())),
    ),
    "unseen-message": Cases(
        fires=lambda: with_message(healthy(), bell()),
        subject=(),
        limit=lambda: rung([1]),
        little=lambda: without_frames(with_message(healthy(), bell())),
    ),
    "other-length": Cases(
        fires=lambda: rung([1, 2, 3], message=LONG),
        subject=("Bell",),
        messages=frozenset({"Bell"}),
        limit=lambda: with_frames(rung([1, 2], message=LONG), [bytes(4)] * 2),
        little=lambda: without_frames(rung([1, 2, 3], message=LONG)),
    ),
    "still-signal": Cases(
        fires=lambda: rung([7] * 40),
        subject=("Bell.On",),
        limit=lambda: rung([7] * 20),
        limit_fires=True,
        little=lambda: rung([7] * 19),
    ),
    "uncovered-bits": Cases(
        fires=lambda: rung([0x0100, 0x0200] * 20),
        subject=("Bell",),
        messages=frozenset({"Bell"}),
        limit=lambda: rung([0x0100, 0x0200] * 10),
        limit_fires=True,
        little=lambda: rung([0x0100, 0x0200] * 9),
    ),
    "undeclared-value": Cases(
        fires=lambda: rung([3, 11, 4], message=RANGED),
        subject=("Bell.On",),
        messages=frozenset({"Bell"}),
        limit=lambda: rung([0, 10, 4], message=RANGED),
        little=lambda: without_frames(rung([3, 11, 4], message=RANGED)),
    ),
    "unavailable-value": Cases(
        fires=lambda: level(0xFF),
        subject=("Bell.Level",),
        limit=lambda: level(0xFD),
        little=lambda: without_frames(level(0xFF)),
    ),
    "swapped-bytes": Cases(
        fires=lambda: swapped(200),
        subject=("Bell.Count",),
        messages=frozenset({"Bell"}),
        limit=lambda: swapped(30),
        limit_fires=True,
        little=lambda: swapped(29),
    ),
}


def test_what_concerns_the_plan_is_a_warning_and_the_rest_one_note() -> None:
    one = rung([3, 11, 4], message=RANGED)
    (note,) = one.findings("undeclared-value")
    assert note.severity == "note"
    horn = one.plan.database.message("Horn")
    assert horn is not None
    tight = replace(horn, signals=(replace(horn.signals[0], table={0: "off", 2: "on", 3: "stuck", 1: "half"}),))
    odd = replace(horn, signals=(replace(horn.signals[0], minimum=0, maximum=0.4),))
    for own, count in ((tight, 0), (odd, 1)):
        messages = tuple(own if each.name == "Horn" else each for each in one.plan.database.messages)
        changed = replace(one, plan=replace(one.plan, database=replace(one.plan.database, messages=messages)))
        warnings = [each for each in changed.findings("undeclared-value") if each.severity == "warning"]
        assert len(warnings) == count


def test_an_entry_about_a_message_of_the_plan_is_a_warning_with_its_mend() -> None:
    one = healthy()
    horn = DatabaseProblem(
        7, "`SG_ On`", "a colon", file="a.dbc", done="It was mended.", mend="Write :.", message="Horn"
    )
    other = [replace(horn, line=line, message="Bell") for line in range(20, 30)]
    database = replace(one.plan.database, problems=(*other, horn))
    warning, note = replace(one, plan=replace(one.plan, database=database)).findings("unused-entry")
    assert (warning.severity, warning.subject, warning.next_step) == ("warning", ("Horn",), "Write :.")
    assert "a.dbc, line 7" in warning.claim
    assert "It was mended." in warning.claim
    assert (note.severity, note.subject) == ("note", ())
    assert "10 in a.dbc" in note.claim


def test_a_near_miss_of_a_planned_message_is_a_warning() -> None:
    one = healthy()
    horn = one.plan.database.message("Horn")
    assert horn is not None
    moved = np.where(one.trace.identifier == horn.identifier, horn.identifier ^ 0x400, one.trace.identifier)
    (finding,) = replace(one, trace=replace(one.trace, identifier=moved)).findings("unlisted-identifier")
    assert finding.severity == "warning"
    assert finding.subject == ("Horn",)
    assert "one digit apart" in finding.claim


def test_the_same_number_of_the_other_length_is_named() -> None:
    one = with_message(healthy(), bell(identifier=BELL, is_extended=True))
    (finding,) = with_frames(one, [b"\1\0"] * 3).findings("unlisted-identifier")
    assert "11 instead of 29 bits" in finding.claim


def test_the_j1939_source_address_is_named_and_the_plan_can_pass_over_it() -> None:
    own = bell(identifier=NUMBER, is_extended=True)
    one = with_frames(with_message(healthy(), own), [b"\1\0"] * 3, identifier=NUMBER | 0x21, is_extended=True)
    (finding,) = one.findings("unlisted-identifier")
    assert "source address" in finding.claim
    assert "match_pgn" in finding.next_step
    told = replace(one, plan=replace(one.plan, bus=replace(one.plan.bus, match_pgn=True)))
    (note,) = told.findings("unlisted-identifier")
    assert note.severity == "note"
    assert "Bell as 0x18fef121" in note.claim
    assert told.findings("unseen-message") == []
    assert told.evidence.bus_evidence.definitions.by_group == {"Bell": (NUMBER | 0x21,)}


def test_values_that_the_plan_calls_unknown_are_not_odd() -> None:
    one = healthy()
    horn = one.plan.controls["horn"]
    for unknown, count in (((), 1), ((1,), 0)):
        reference = horn.condition.reference
        definition = replace(reference.definition, minimum=0, maximum=0.4)
        message = replace(reference.message, signals=(definition,))
        database = replace(
            one.plan.database,
            messages=tuple(message if each.name == message.name else each for each in one.plan.database.messages),
        )
        condition = replace(
            horn.condition, reference=replace(reference, message=message, definition=definition), unknown=unknown
        )
        plan = replace(
            one.plan, database=database, controls={**one.plan.controls, "horn": replace(horn, condition=condition)}
        )
        assert len(replace(one, plan=plan).findings("undeclared-value")) == count
