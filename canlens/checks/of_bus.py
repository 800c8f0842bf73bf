"""Checks: what errors, load, readings and silences say of the bus as a whole.

The docstring of a check is its manual page.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES, lines_of
from canlens.results.finding import MEASURE_LIVE, WIRING, Finding, Lines
from canlens.wording import counted, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import Attribution, BusEvidence, ErrorLedger, JudgedReading, StateStep, SuspectKind
    from canlens.nouns.messages import QuietEvidence, Wake
    from canlens.results.finding import Severity


def unacknowledged_sender(evidence: BusEvidence) -> Iterator[Finding]:
    """unacknowledged-sender: one node sends, and nobody answers.

    Looks for
        Error records that say that the acknowledgement is missing, at least sixteen, hardly any of another kind,
        and no frames but those of one identifier.
    Why it matters
        Every frame needs one listener that acknowledges it. A sender that is alone repeats its frame for ever; it
        becomes error passive, but does not leave the bus. Nothing that hangs on this bus can work.
    Evidence
        The identifier, number and spacing of the tries, the transmit error counter; first and last line.
    Cannot tell
        Whether the others sleep, have no supply, are cut off, or run at another bit rate; a recorder that only
        listens does not acknowledge either.
    Next step
        Ignition on and record again; then look whether the sender is on the right plug and at the right bit rate.
    """
    alone = evidence.lone_sender
    if alone is None:
        return
    sent = f"0x{alone.identifier:x}" if alone.identifier is not None else "a frame"
    spacing = f", one every {alone.interval_s * 1e6:.0f} µs" if alone.interval_s is not None else ""
    counter = f"; its transmit error counter reaches {alone.tec}" if alone.tec is not None else ""
    yield Finding(
        check="unacknowledged-sender",
        severity="failure",
        subject=(sent,) if alone.identifier is not None else (),
        claim=f"Nobody acknowledges {sent}: {alone.records} tries failed{spacing}{counter}; no other node is heard.",
        evidence=Lines((alone.line, alone.last_line)),
        cannot_tell="Whether the other nodes sleep, have no supply, are cut off or run at another bit rate.",
        next_step="Ignition on, record again; then compare plug and bit rate of the sender with those of the bus.",
        would_change="Frames of a second node, or tries that succeed.",
    )


def bus_off(evidence: BusEvidence) -> Iterator[Finding]:
    """bus-off: the recorder's controller left the bus after too many errors of its own sending.

    Looks for
        Records or status lines in which the recording node says that it is bus-off.
    Why it matters
        A transmit error counter of 256 takes 32 failed tries in a row. Whoever sends here fails: lines shorted, a
        wrong bit rate, or two senders under one identifier. While the recorder is off the bus, it records nothing.
    Evidence
        How often, and when it came back; lines.
    Cannot tell
        Whether other nodes left the bus too: each tells only of itself.
    Next step
        Battery off, measure between H and L and each to ground; then compare the bit rate of recorder and bus.
    """
    states = evidence.errors.states if evidence.errors else ()
    off = [each for each in states if each.state == "bus-off"]
    if not off:
        return
    back = [each.time_s for each in states if each.time_s > off[-1].time_s and each.state != "bus-off"]
    end = f"back after {back[0] - off[-1].time_s:.3f} s the last time" if back else "and it did not come back"
    yield Finding(
        check="bus-off",
        severity="failure",
        subject=(),
        claim=f"The recording node was bus-off {times(len(off))}, first at {off[0].time_s:.3f} s, {end}.",
        evidence=Lines(tuple(each.line for each in off[:MOST_LINES]), tuple(each.time_s for each in off[:MOST_LINES])),
        cannot_tell="Whether other nodes left the bus too.",
        next_step="Battery off: measure H to L and each to ground; then compare the bit rates of recorder and bus.",
        would_change="A recording in which the node stays on the bus.",
        caution=WIRING,
    )


FEWEST_EPISODES = 2
"""A single one may be the recorder being plugged in."""
STRAY_SHARE = 0.0001
"""No more episodes than one in so many frames, pointing at nobody, are what any bus has now and then (our choice)."""
GRAVE_SHARE = 0.001
"""One broken frame in a thousand is a failure: at a few hundred frames a second that is an error every few seconds,
while a healthy bus runs for hours without one (our choice)."""
NEXT_STEPS: dict[SuspectKind, str] = {
    "whole-bus": "Battery off: measure between H and L; then look for long or untwisted stubs.",
    "bad-sender": "Look at the connector, stub and supply of {subject}; record once with its plug moved by hand.",
    "bad-receiver": "Unplug {subject} and record again: do the errors go?",
    "interference": "Record once with the load of {subject} unplugged, once with it on: do the errors go?",
    "loose-contact": "Move the plug and the wires of {subject} by hand while recording.",
}
OPEN_STEP = "Record for longer, with every output exercised; battery off, measure between H and L."


def error_episodes(evidence: BusEvidence) -> Iterator[Finding]:
    """error-episodes: frames were broken on the bus.

    Looks for
        Error records of the recording, merged into episodes: a disturbance and the retries that follow it are one.
        Fewer than one in ten thousand frames that point at nobody are left to the ledger: no bus is free of them.
    Why it matters
        A healthy bus has next to none. A broken frame is sent again, so nothing may be noticed until the errors are
        many enough to delay answers or to switch a node off.
    Evidence
        Number of episodes against the frames; kinds and places of the errors; the first lines; what the errors
        point at, where the evidence suffices: one node, an output, or the lines as a whole.
    Cannot tell
        Errors that the recorder did not see or did not keep; the exact place in the wiring.
    Next step
        What the suspect asks for: measure between H and L with the battery off, look at the node's connector and
        stub, or record once with the output's load unplugged.
    """
    ledger = evidence.errors
    if ledger is None or evidence.lone_sender is not None:
        return
    states = [each for each in ledger.states if each.state in {"warning", "passive"}]
    answer = evidence.attribution.answer if evidence.attribution else None
    if not states and answer is None and len(ledger.episodes) <= STRAY_SHARE * ledger.good_frames:
        return
    yield Finding(
        check="error-episodes",
        severity=_severity(ledger),
        subject=(answer.subject,) if answer and answer.subject else (),
        claim=f"{_error_episodes_claim(ledger)}{_pointing(evidence.attribution)}",
        evidence=_lines(ledger, states),
        cannot_tell="Where in the wiring the fault lies, and errors that the recorder did not keep.",
        next_step=NEXT_STEPS[answer.kind].format(subject=answer.subject) if answer else OPEN_STEP,
        would_change="A recording as long as this one without error records.",
        caution=WIRING,
    )


def _severity(ledger: ErrorLedger) -> Severity:
    """Say how grave the episodes are, by how many there are for the frames and by what state they led to."""
    number = len(ledger.episodes)
    if number > GRAVE_SHARE * ledger.good_frames and number >= FEWEST_EPISODES:
        return "failure"
    has_counted = any(each.state in {"warning", "passive"} for each in ledger.states)
    return "warning" if number >= FEWEST_EPISODES or has_counted else "note"


def _error_episodes_claim(ledger: ErrorLedger) -> str:
    """Say what was seen."""
    number = len(ledger.episodes)
    states = {each.state for each in ledger.states}
    worst = "error passive" if "passive" in states else "at its warning limit" if "warning" in states else ""
    if not number:
        return f"The recording node's controller was {worst}: it saw many errors, though none is recorded by itself."
    reached = f" The recording node's controller was {worst}." if worst else ""
    episodes = f"{counted(number, 'error episode')}"
    return f"{episodes} beside {ledger.good_frames} frames{_kinds(ledger)}.{reached}"


def _lines(ledger: ErrorLedger, states: list[StateStep]) -> Lines:
    """Return the first lines: of the episodes, or of the states where there are none."""
    if len(ledger.episodes):
        first = slice(0, MOST_LINES)
        return Lines(tuple(ledger.episodes.line[first].tolist()), tuple(ledger.episodes.start_s[first].tolist()))
    shown = states[:MOST_LINES]
    return Lines(tuple(each.line for each in shown), tuple(each.time_s for each in shown))


def _kinds(ledger: ErrorLedger) -> str:
    """Name the most frequent kind and place, where the records tell them."""
    told = [next(iter(words)) for words in (ledger.details, ledger.places) if words]
    return f", mostly {', '.join(told)}" if told else ""


def _pointing(attribution: Attribution | None) -> str:
    """Say what the errors point at."""
    return f" {attribution.sentence}" if attribution is not None else ""


def contradicted_bit_rate(evidence: BusEvidence) -> Iterator[Finding]:
    """contradicted-bit-rate: the stamps do not fit the bit rate that was given.

    Looks for
        Frames without a pause between them, which lie exactly as far apart as one of them is long: at another bit
        rate than the given one; or many gaps too short for any frame at the given rate.
    Why it matters
        Bus load and everything else that counts bits is wrong by the same factor. A box set to that rate would
        destroy every frame.
    Evidence
        Both rates, and how many gaps speak for the one found.
    Cannot tell
        Which of the two the maker intended; what a box on this bus is set to.
    Next step
        Correct the bit rate in the plan or on the command line, and compare it with the setting of the controller.
    """
    conflict = evidence.bit_rate_conflict
    if conflict is None:
        return
    found = f", the stamps say {conflict.inferred / 1000:g}" if conflict.inferred else ", the stamps say more"
    yield Finding(
        check="contradicted-bit-rate",
        severity="warning",
        subject=(),
        claim=f"Given are {conflict.given / 1000:g} kbit/s{found}: {conflict.because}",
        cannot_tell="What the controller is set to.",
        next_step="Correct the bit rate that was given, and compare it with the setting of the controller.",
        would_change="A given bit rate that the stamps bear out.",
    )


ABOUT: dict[str, tuple[str, ...]] = {
    "h_l_ohm": ("ohm between",),
    "h_v": ("lies below",),
    "sleep_ma": ("at rest",),
}
"""Words by which the sentence on meter and log that belongs to a reading is known."""


def odd_reading(evidence: BusEvidence) -> Iterator[Finding]:
    """odd-reading: the meter shows a value outside its limits, or one that only the kind of bus can explain.

    Looks for
        Readings outside the limits given with them; without such limits outside those that a source names. On a bus
        of up to 125 kbit/s the resistance and the levels are asked about, since a fault-tolerant bus has others.
    Why it matters
        A missing terminator, a leak or a poor ground may leave no trace in the log until it is cold, wet or loaded.
    Evidence
        The value, the limit and where it comes from; where sources disagree; what meter and log say together.
    Cannot tell
        What the vehicle's maker allows: limits differ by a factor of two to five.
    Next step
        Measure again as the vehicle maker's manual says, supply off for ohms; then follow the meaning of the value.
    """
    for each in evidence.readings:
        if each.state == "fits":
            continue
        together = [text for text in evidence.fused if any(words in text for words in ABOUT.get(each.name, ()))]
        yield Finding(
            check="odd-reading",
            severity=each.severity,
            subject=(each.name,),
            claim=" ".join([_odd_reading_claim(each), *together]),
            cannot_tell="What the vehicle's maker allows; a reading holds for the moment and the place it was taken.",
            next_step=_next_step(each),
            would_change="The same measurement inside the limits, or limits of the maker that allow this value.",
            caution=WIRING if each.unit == "ohm" else MEASURE_LIVE,
        )


def _odd_reading_claim(reading: JudgedReading) -> str:
    """Say what was read, against what, and what it means."""
    value = f"{reading.value:g} {reading.unit}" if math.isfinite(reading.value) else "an open line"
    if reading.state == "ask":
        return f"{reading.name}: {value}. {reading.meaning}"
    other = f"; {reading.disagreement}" if reading.disagreement else ""
    limit = f", outside {_limit(reading.limit)}" if reading.limit else ""
    return f"{reading.name}: {value}{limit} {reading.unit} ({reading.source}{other}): {reading.meaning}."


def _limit(limit: tuple[float, float]) -> str:
    """Write a limit."""
    low, high = limit
    return f"{low:g} to {high:g}" if math.isfinite(high) else f"{low:g} or more"


def _next_step(reading: JudgedReading) -> str:
    """Say what to do with a reading."""
    if reading.state == "ask":
        return "Find out which kind of bus this is, and give the reading its limit from the maker's manual."
    if reading.unit == "ohm":
        return "Measure again with the battery off for some minutes, with and without what was fitted last."
    return "Measure again at the plug of the controller, under load; give the limit of the maker's manual."


MEANING = {
    "ran": "their counters went on meanwhile, so frames were sent and not recorded",
    "stood": "their counters went on by one, so the senders waited or the recorder's clock stepped",
    "unknown": "no counter tells whether they were sent",
}


def interrupted_bus(evidence: BusEvidence) -> Iterator[Finding]:
    """interrupted-bus: all messages of a channel stayed away at once for a moment.

    Looks for
        Moments in which the whole channel was silent though even the third fastest of its messages on a beat was
        due at least three times.
    Why it matters
        A loose contact in the trunk or at the recorder, a short of the lines, a dip of the supply, or a recorder
        that loses frames: while it lasts, nothing works.
    Evidence
        When and for how long; what the counters inside the messages did meanwhile: where they went on counting,
        frames were sent and not recorded; where they went on by one, the senders waited or the recorder's clock
        stepped.
    Cannot tell
        The place of the fault.
    Next step
        Where frames were not recorded, record with another computer or adapter; else move the recorder's plug and
        the trunk's connectors while you record.
    """
    stops = evidence.quiet.stops if evidence.quiet else ()
    if not stops:
        return
    longest_s = max(each.to_s - each.from_s for each in stops)
    meanings = dict.fromkeys(MEANING[each.counters] for each in stops)
    yield Finding(
        check="interrupted-bus",
        severity="warning",
        subject=(),
        claim=(
            f"All messages stayed away at once {times(len(stops))}, at the longest for {longest_s:.3f} s; "
            f"{'; '.join(meanings)}."
        ),
        evidence=Lines(
            tuple(each.line for each in stops[:MOST_LINES]), tuple(each.to_s for each in stops[:MOST_LINES])
        ),
        cannot_tell="Where the fault is: in the trunk, the supply, or the recorder.",
        next_step="Move the recorder's plug and the trunk's connectors while you record; try another computer.",
        would_change="Messages that come on their beat all the time.",
    )


ADVISED_MEAN = 0.4
"""Average that one engine maker asks for at most on J1939 (electronic installation manual of an industrial diesel
engine, p. 235); other makers allow more."""
FULL = 0.95
"""A window with less room than this has none for retries (our choice; Bosch CAN 2.0, 1991, 10.3.3 advises against a
load of 100 %, since an error-passive node may need idle bits to end its error frame)."""


def high_bus_load(evidence: BusEvidence) -> Iterator[Finding]:
    """high-bus-load: frames take more of the bus's time than is advised.

    Looks for
        A mean load above 40 %, which one engine maker asks not to be passed on a J1939 bus; and a second that is
        all but full. A recording shorter than a second tells neither.
    Why it matters
        The fuller the bus, the longer messages of low priority wait, and the less room is left for what is sent
        again after an error.
    Evidence
        Mean load and that of the fullest window, every stuff bit and the 3 bits of intermission counted.
    Cannot tell
        Whether the bus was designed for it: other makers allow more, and none of these figures is a standard.
    Next step
        See in the table of identifiers who sends most, and compare with a recording without what was fitted.
    """
    bus = evidence.bus
    recording = evidence.recording
    if bus is None or bus.bus_load is None or bus.bus_load_peak is None:
        return
    if recording is None or recording.duration_s < bus.window_s:
        return
    is_full = bus.bus_load_peak >= FULL
    if not is_full and bus.bus_load <= ADVISED_MEAN:
        return
    yield Finding(
        check="high-bus-load",
        severity="warning" if is_full else "note",
        subject=(),
        claim=(
            f"Frames took {bus.bus_load * 100:.1f} % of the bus's time, {bus.bus_load_peak * 100:.1f} % in the fullest "
            f"{bus.window_s:g} s; one engine maker asks for at most {ADVISED_MEAN * 100:.0f} % on average on J1939."
        ),
        cannot_tell="Whether this bus was designed for it.",
        next_step="See who sends most, and compare with a recording without what was fitted.",
        would_change=f"A mean load of {ADVISED_MEAN * 100:.0f} % at most.",
    )


def stays_awake(evidence: BusEvidence) -> Iterator[Finding]:
    """stays-awake: frames long after the control that keeps the bus awake went off, or a sleeping bus that was woken.

    Looks for
        Frames later after that control than the plan's ``quiet_after_s`` allows. Without a plan, every time the bus
        was silent for more than two seconds and then woke is noted.
    Why it matters
        A bus that does not sleep empties the battery, and what keeps it awake is often the node that was fitted
        last.
    Evidence
        How long frames came, who spoke last, and who spoke first at each wake; lines of those frames.
    Cannot tell
        What the node does with its current while the bus is silent: only a meter shows that. Nor whether a door, a
        key or a person woke it.
    Next step
        Pull the fuse of what was fitted, wait the full time, and record again.
    """
    quiet = evidence.quiet
    if quiet is None or quiet.last is None:
        return
    if quiet.stays_awake:
        yield _awake(quiet)
    elif quiet.wakes:
        yield _woken(quiet.wakes)


def _awake(quiet: QuietEvidence) -> Finding:
    """Return the finding of a bus that is awake longer than the plan allows."""
    last, off_s, allowed_s = quiet.last, quiet.off_s or 0.0, quiet.allowed_s or 0.0
    wakes = [each for each in quiet.wakes if each.first.time_s > off_s]
    first = wakes[0].first if wakes else None
    woken = f"; it was woken {times(len(wakes))}, first by {first.name} at {first.time_s:.3f} s" if first else ""
    name, at_s = (last.name, last.time_s) if last else ("", 0.0)
    return Finding(
        check="stays-awake",
        severity="failure",
        subject=(first.name if first else name,),
        claim=(
            f"{len(quiet.too_late)} frames came later than {allowed_s:g} s after the end of what keeps the bus awake "
            f"(at {off_s:.3f} s); {name} spoke last, {at_s - off_s:.1f} s after it{woken}."
        ),
        evidence=lines_of(quiet.too_late),
        cannot_tell="Who keeps the others awake, and what current flows.",
        next_step="Pull the fuse of what was fitted, wait the full time, and record again.",
        would_change=f"No frame later than {allowed_s:g} s after it.",
        caution=WIRING,
    )


def _woken(wakes: tuple[Wake, ...]) -> Finding:
    """Return the note on a bus that slept and woke."""
    names = tuple(dict.fromkeys(each.first.name for each in wakes))
    return Finding(
        check="stays-awake",
        severity="note",
        subject=names,
        claim=f"The bus fell silent and woke {times(len(wakes))}; {', '.join(names[:6])} spoke first.",
        evidence=Lines(tuple(each.first.line for each in wakes[:20]), tuple(each.first.time_s for each in wakes[:20])),
        cannot_tell="Whether it was meant to wake: a key, a door or a timer may have done it.",
        next_step="See what was done at these moments; where nothing was, look at the node that spoke first.",
        would_change="No frame after the bus fell silent.",
    )
