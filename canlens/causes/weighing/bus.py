"""Bus: whether there is traffic, all messages come, each has one sender, and the bus falls asleep."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.causes.cause import Case, Sign, Suspect
from canlens.causes.weighing.asked import counted
from canlens.causes.weighing.words import bus_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing.asked import Asked
    from canlens.evidence import Evidence
    from canlens.message_evidence import QuietEvidence

SHORT_OHM = 5.0
"""Below this nothing but wire lies between the lines; workshop manuals call less than 2 ohm shorted."""
THREE_OHM, TWO_OHM, ONE_OHM = (30.0, 50.0), (50.0, 80.0), (80.0, 160.0)
"""Around 40, 60 and 120 ohm: three, two and one resistor of 120 ohm side by side, as ISO 11898-2 has them."""
OPEN_OHM = 1000.0
MANY = 0.5
"""More error records than half of the frames are a flood."""
LEAST_SHARE = 0.8
"""Of the error records, so that missing acknowledgements are the rule."""


def traffic_cases(asked: Asked) -> Iterator[Case]:
    """Ask whether anything gets through."""
    evidence = asked.evidence
    ledger, alone = evidence.bus_evidence.errors, evidence.bus_evidence.lone_sender
    errors = ledger.frames if ledger else evidence.recording.error_frames
    number = "none" if not evidence.frames else "one" if alone is not None and errors else "many"
    duration_s = evidence.recording.duration_s
    seen = f"no data or remote frame in {f'{duration_s:.1f} s' if duration_s else 'the recording'}"
    words = {"none": seen, "one": f"one frame, {counted(evidence.frames, 'time')}", "many": f"{evidence.frames} frames"}
    if errors:
        words = {value: f"{counted(errors, 'error frame')} and {text}" for value, text in words.items()}
    signs = [Sign("frames", number, words[number])]
    if ledger is None or ledger.recorded != "no":
        flood = errors > MANY * evidence.frames and errors > 0
        signs.append(Sign("error-flood", "yes" if flood else "no", f"{counted(errors, 'error record')}"))
    if errors and ledger is not None:
        missing = alone is not None or ledger.classes.get("no-acknowledge", 0) > LEAST_SHARE * errors
        told = (
            "nearly all errors say that nobody acknowledged" if missing else "the errors are not about acknowledgement"
        )
        signs.append(Sign("acknowledge", "yes" if missing else "no", told))
    signs += list(ohm_signs(evidence))
    yield Case("traffic", (), tuple(signs), words=bus_words(evidence))


def ohm_signs(evidence: Evidence) -> Iterator[Sign]:
    """Tell what the resistance between the lines says, if it was measured."""
    reading = evidence.readings.values.get("h_l_ohm") if evidence.readings else None
    if reading is None:
        return
    ohms = reading.value
    value = "odd"
    if reading.limit is not None and reading.limit[0] <= ohms <= reading.limit[1]:
        value = "two"
    elif ohms < SHORT_OHM:
        value = "short"
    elif ohms >= OPEN_OHM:
        value = "open"
    else:
        for name, (low, high) in (("three", THREE_OHM), ("two", TWO_OHM), ("one", ONE_OHM)):
            if low <= ohms < high:
                value = name
    yield Sign("ohms", value, f"the meter shows {ohms:.3g} ohm between H and L")


def message_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every message of the plan that never came whether it is missing; the controller's own wait for it."""
    evidence = asked.evidence
    if not evidence.frames:
        return
    silent = evidence.plan.controller.node if evidence.controller_seen is False else None
    left = 1 - asked.wrong("traffic", ())
    for name in (*evidence.missing_messages, *evidence.absent_messages):
        message = evidence.plan.database.message(name)
        if message is None or silent in message.senders:
            continue
        is_cyclic = message.cycle_time_s is not None
        value = "cyclic, absent" if is_cyclic else "sent on changes, absent"
        if name in evidence.absent_messages:
            value = "not needed, absent"
        why = "" if is_cyclic else "; the DBC declares no cycle time, it may be sent only on a change"
        sign = Sign("message", value, f"no frame of 0x{message.identifier:x} among {evidence.frames}{why}")
        yield Case(
            "messages",
            (name,),
            (sign,),
            left=left,
            words=bus_words(evidence, message=f"{name} (0x{message.identifier:x})"),
        )


def identifier_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every identifier that comes as from two senders whether it has two."""
    for each in asked.evidence.bus_evidence.intervals:
        if each.two_senders is None:
            continue
        value = "rate" if set(each.two_senders.clues) <= {"rate", "extra"} else "two"
        told = " and ".join(each.two_senders.clues)
        sign = Sign("identity", value, f"{each.name} comes as from two senders ({told})")
        words = bus_words(asked.evidence, message=f"{each.name} (0x{each.identifier:x})")
        yield Case("identifiers", (each.name,), (sign,), words=words)


def sleep_cases(asked: Asked) -> Iterator[Case]:
    """Ask whether the bus sleeps in time; only where the plan says when it should."""
    quiet = asked.evidence.bus_evidence.quiet
    if quiet is None or quiet.off_s is None or quiet.allowed_s is None:
        return
    if quiet.end_s <= quiet.off_s + quiet.allowed_s:
        return
    late = len(quiet.too_late)
    control = asked.evidence.plan.bus.awake_while
    told = f"{counted(late, 'frame')} later than {quiet.allowed_s:g} s after {control} went off"
    sign = Sign("sleep", "late" if late else "in time", told)
    first = _first_speaker(quiet)
    suspects = (Suspect((first,)),) if first else (Suspect(()),)
    words = bus_words(asked.evidence, identifier=first or "the first identifier")
    yield Case("sleep", (), (sign,), {"bus-stays-awake": suspects}, words=words)


def _first_speaker(quiet: QuietEvidence) -> str:
    """Return the identifier that speaks first when the bus should be quiet; empty where it is not known."""
    limit_s = (quiet.off_s or 0.0) + (quiet.allowed_s or 0.0)
    wakes = [each for each in quiet.wakes if each.first.time_s > (quiet.off_s or 0.0)]
    if wakes:
        names = [f"0x{each.first.identifier:x}" for each in wakes]
        return max(names, key=names.count)
    last = quiet.last
    return f"0x{last.identifier:x}" if last is not None and last.time_s > limit_s else ""
