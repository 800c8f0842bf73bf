"""Bus: traffic, messages, identifiers, sleep."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Candidate, Case, Sign, Suspect
from canlens.causes.weighing import bus_words
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.messages import QuietEvidence
    from canlens.nouns.outputs import Evidence


# Bus: whether there is traffic, all messages come, each has one sender, and the bus falls asleep.


SHORT_OHM = 5.0
"""Below this nothing but wire lies between the lines; workshop manuals call less than 2 ohm shorted."""
THREE_OHM, TWO_OHM, ONE_OHM = (30.0, 50.0), (50.0, 80.0), (80.0, 160.0)
"""Around 40, 60 and 120 ohm: three, two and one resistor of 120 ohm side by side, as ISO 11898-2 has them."""
OPEN_OHM = 1000.0
FEWEST_ERRORS = 5
"""Fewer error records than this are no flood, however few frames there are."""
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
        flood = errors > MANY * evidence.frames and errors >= FEWEST_ERRORS
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


FEWEST_LOST = 2.0
"""A message tells how many frames are lost where at least so many of it would be, were the loss equal."""
FEWEST_SENDERS = 2
LEAST_LOSS = 0.002
SPREAD = 2.5
"""Losses that scatter by more than this much of what chance does (chi-square per degree of freedom) are not equal."""


def loss_cases(asked: Asked) -> Iterator[Case]:
    """Ask whether frames are missing from all beats alike."""
    supply = asked.evidence.supply
    restarting = asked.evidence.plan.controller.node if supply is not None and len(supply.restarts_s) else None
    every = [
        each
        for each in asked.evidence.bus_evidence.intervals
        if each.cycle_s and not each.is_of_two and (restarting is None or restarting not in each.senders)
    ]
    lost = np.array([each.gaps.missed for each in every], float)
    due = lost + np.array([each.frames for each in every], float)
    total = float(lost.sum() / due.sum()) if every else 0.0
    expected = total * due
    telling = expected >= FEWEST_LOST
    senders = {each.sender or each.name for each, tells in zip(every, telling.tolist(), strict=True) if tells}
    if len(senders) < FEWEST_SENDERS:
        return
    scatter = np.square(lost - expected)[telling] / expected[telling]
    is_equal = total >= LEAST_LOSS and scatter.sum() / (telling.sum() - 1) < SPREAD
    value = "equal" if is_equal else "uneven" if total >= LEAST_LOSS else "none"
    told = f"{total * 100:.2g} % of the frames are missing, from {counted(int(telling.sum()), 'message')} alike"
    yield Case("loss", (), (Sign("loss", value, told),), words=bus_words(asked.evidence))


RECORDER_LOSES = Candidate(
    name="recorder-loses",
    scope="bus",
    question="loss",
    weight=8,
    chances={
        "loss": {"none": 0.2, "uneven": 0.1, "equal": 0.7},
    },
    docstring="""recorder-loses: equal loss over all senders: the recording, not the vehicle.

What is wrong
    The recorder, its lead to the computer or the computer is too slow, and drops frames of everybody alike.
Speaks for it
    Frames are missing from the beats of all messages, of each in the same share.
Speaks against it
    One node alone loses frames; gaps of all messages at once, which are those of a clock or of a sleeping bus.
Next test
    Record again with nothing else running, or with another recorder, and compare how many frames are missing.
""",
)


def sleep_cases(asked: Asked) -> Iterator[Case]:
    """Ask whether the bus sleeps in time; only where the plan says when it should."""
    quiet = asked.evidence.bus_evidence.quiet
    if quiet is None or quiet.off_s is None or quiet.allowed_s is None:
        return
    if quiet.end_s <= quiet.off_s + quiet.allowed_s:
        return
    late = len(quiet.too_late) if quiet.stays_awake else 0
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


NO_TRAFFIC = Candidate(
    name="no-traffic",
    scope="bus",
    question="traffic",
    weight=16,
    chances={
        "frames": {"none": 0.998, "one": 0.001, "many": 0.001},
        "error-flood": {"no": 0.995, "yes": 0.005},
        "acknowledge": {"no": 0.99, "yes": 0.01},
        "ohms": {"short": 0.005, "three": 0.005, "two": 0.89, "one": 0.02, "open": 0.05, "odd": 0.03},
    },
    docstring="""no-traffic: nothing on the bus.

What is wrong
    The bus sleeps, its lines are open or shorted to ground, a gateway keeps everything back, or the recorder is not
    connected or not listening.
Speaks for it
    A recording without any data or remote frame, and without a flood of errors.
Speaks against it
    Any frame; a short between the lines on the meter, which is a cause of its own.
Next test
    Ignition on, record again. If it stays empty: battery off, measure H to L; then battery on, H and L to ground.
""",
)


LINES_SHORTED = Candidate(
    name="lines-shorted",
    scope="bus",
    question="traffic",
    weight=2,
    chances={
        "frames": {"none": 0.97, "one": 0.01, "many": 0.02},
        "error-flood": {"no": 0.95, "yes": 0.05},
        "acknowledge": {"no": 0.97, "yes": 0.03},
        "ohms": {"short": 0.97, "three": 0.005, "two": 0.005, "one": 0.005, "open": 0.005, "odd": 0.01},
    },
    docstring="""lines-shorted: H and L touch each other, or nearly so.

What is wrong
    At the splice, in the plug or in a crushed cable the two lines of the bus meet, and nobody can send.
Speaks for it
    Under 2 ohm between H and L with the battery off; no traffic; H and L at the same voltage of about 2.5 V.
Speaks against it
    Frames: a bus whose lines touch carries none. About 60 ohm on the meter.
Next test
    Battery off, measure H to L; then unplug one half of the bus after the other until the short is gone.
""",
)


WRONG_BIT_RATE = Candidate(
    name="wrong-bit-rate",
    scope="bus",
    question="traffic",
    weight=4,
    chances={
        "frames": {"none": 0.985, "one": 0.005, "many": 0.01},
        "error-flood": {"no": 0.25, "yes": 0.75},
        "acknowledge": {"no": 0.97, "yes": 0.03},
        "ohms": {"short": 0.001, "three": 0.001, "two": 0.97, "one": 0.005, "open": 0.003, "odd": 0.02},
    },
    docstring="""wrong-bit-rate: recorder or controller use another bit rate than the bus.

What is wrong
    The recorder listens at another bit rate, and takes every frame for an error; or the controller does so, and
    destroys what others send.
Speaks for it
    A recording of nothing but error records at the start of frames; a controller without messages on a bus full of
    errors.
Speaks against it
    Frames that came through; errors that say that only the acknowledgement was missing.
Next test
    Set the recorder to 125, 250, 500 and 1000 kbit/s in turn, listening only; the right one shows frames and no
    errors.
""",
)


NOBODY_ACKNOWLEDGES = Candidate(
    name="nobody-acknowledges",
    scope="bus",
    question="traffic",
    weight=4,
    chances={
        "frames": {"none": 0.5, "one": 0.48, "many": 0.02},
        "error-flood": {"no": 0.25, "yes": 0.75},
        "acknowledge": {"no": 0.02, "yes": 0.98},
        "ohms": {"short": 0.002, "three": 0.002, "two": 0.9, "one": 0.03, "open": 0.04, "odd": 0.026},
    },
    docstring="""nobody-acknowledges: one sender alone, and nobody answers it.

What is wrong
    One node is awake and sends, and no other node is there to acknowledge: the others sleep, their branch is open,
    or the recorder is alone with it and only listens.
Speaks for it
    One frame again and again, or none, and errors of which nearly all say that the acknowledgement was missing.
Speaks against it
    Frames of several identifiers.
Next test
    Ignition on and record again; then measure H to L at the node's own plug.
""",
)


MESSAGE_MISSING = Candidate(
    name="message-missing",
    scope="bus",
    question="messages",
    weight=8,
    chances={
        "message": {
            "comes": 0.001,
            "cyclic, absent": 0.391,
            "sent on changes, absent": 0.008,
            "not needed, absent": 0.6,
        },
    },
    docstring="""message-missing: a cyclic message of the DBC never came.

What is wrong
    The recording was made on another bus or connector, a gateway keeps the message back, or the DBC has another
    identifier.
Speaks for it
    Traffic, a message that the plan needs, and not one frame of it. A declared cycle time makes it nearly certain.
Speaks against it
    No declared cycle time: the message may be sent only while its control is operated.
Next test
    Record at the intended connector, with every control operated once.
""",
)


DUPLICATE_IDENTIFIER = Candidate(
    name="duplicate-identifier",
    scope="bus",
    question="identifiers",
    weight=2,
    chances={
        "identity": {"one": 0.1, "rate": 0.25, "two": 0.65},
    },
    docstring="""duplicate-identifier: two nodes send under one identifier.

What is wrong
    What was fitted uses an identifier that the vehicle uses already; receivers see two values in turn, and where
    both start at once their frames break.
Speaks for it
    Two beats or two counters under one identifier, or twice the declared rate.
Speaks against it
    One beat and one counter.
Next test
    Unplug what was fitted last: does the identifier fall to half its rate?
""",
)


BUS_STAYS_AWAKE = Candidate(
    name="bus-stays-awake",
    scope="bus",
    question="sleep",
    weight=4,
    chances={
        "sleep": {"in time": 0.03, "late": 0.97},
    },
    docstring="""bus-stays-awake: frames long after the ignition went off.

What is wrong
    A node does not go to sleep, or wakes the others again and again; most often it is what was fitted last, fed
    from a wire that never goes off.
Speaks for it
    Frames later after the ignition than the plan allows.
Speaks against it
    A bus that is silent in time. A door, a key or a person may wake a bus too.
Next test
    Pull the fuse of what was fitted, wait the full time, and record again; then measure the current at rest.
""",
)
