"""Checks: what the recording itself can and cannot show.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import MOST_LINES
from canlens.results.finding import WIRING, Finding, Lines
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.outputs import Evidence


def no_traffic(evidence: Evidence) -> Iterator[Finding]:
    """no-traffic: the recording holds no frame.

    Looks for
        A recording (or the chosen channel of it) without any data or remote frame.
    Why it matters
        An empty recording is not a test. Nothing in the install can be judged from it.
    Evidence
        The number of frames: none.
    Cannot tell
        Whether the bus slept, is shorted or open, runs at another bit rate, or the recorder was not connected.
    Next step
        Ignition on, start the recorder again; if it stays empty, measure H to L with the battery off, then H and L
        with it on.
    """
    if evidence.frames:
        return
    errors = evidence.recording.error_frames
    seen = f"only {errors} error frames" if errors else "no frame at all"
    duration_s = evidence.recording.duration_s
    span = f" in {duration_s:.1f} s" if duration_s else " in the recording"
    yield Finding(
        check="no-traffic",
        severity="failure",
        subject=(),
        claim=f"There is no traffic: {seen}{span}.",
        cannot_tell="Whether the bus slept, is shorted or open, or the recorder was not listening.",
        next_step=(
            "Ignition on, check the recorder's bit rate, record again. If it stays empty: battery off, measure H to L "
            "(about 60 ohm on a high-speed bus)."
        ),
        would_change="Frames in a recording made with the ignition on.",
        caution=WIRING,
    )


def poor_recording(evidence: Evidence) -> Iterator[Finding]:
    """poor-recording: the recording is too poor to judge the install by.

    Looks for
        More than one unusable line in a hundred; a clock that restarts; a clock that steps by more than the time in
        which an answer is due.
    Why it matters
        Verdicts that rest on it would be guesses; they are withheld.
    Evidence
        The reasons.
    Cannot tell
        Anything about the install.
    Next step
        Record again: one run, to the disk and not over the network, with time stamps from the adapter.
    """
    own = evidence.recording
    if own.quality != "poor":
        return
    yield Finding(
        check="poor-recording",
        severity="warning",
        subject=(),
        claim=f"The recording is poor: {'; '.join(own.quality_reasons)}.",
        cannot_tell="Anything about the outputs; their verdicts are withheld.",
        next_step="Record again in one run, and keep the recorder's computer free of other work.",
        would_change="A recording of good quality.",
    )


def unfitting_plan(evidence: Evidence) -> Iterator[Finding]:
    """unfitting-plan: hardly any message of the plan is on this bus.

    Looks for
        Traffic in which no more than one in six of the messages that the plan needs ever came.
    Why it matters
        The DBC or the recording is most likely another vehicle's, or of another bus; nothing else can be judged
        before.
    Evidence
        How many of the plan's messages came.
    Cannot tell
        Which of the two is the wrong one.
    Next step
        Compare the vehicle and the connector of the recording with those of the DBC.
    """
    if evidence.fits:
        return
    seen = evidence.needed_messages - len(evidence.missing_messages)
    yield Finding(
        check="unfitting-plan",
        severity="warning",
        subject=(),
        claim=f"{seen} of the plan's {evidence.needed_messages} messages are on this bus.",
        cannot_tell="Whether the DBC or the recording is another vehicle's, or of another bus.",
        next_step="See that DBC and recording are of this vehicle, and that the recorder hung on the right connector.",
        would_change="A recording that holds the plan's messages.",
    )


def unread_lines(evidence: Evidence) -> Iterator[Finding]:
    """unread-lines: some lines of the recording could not be used.

    Looks for
        Lines that the format's reader could not read; all others were used.
    Why it matters
        An edge may have stood in them. A few at the end are a cut file; many are a recorder that lost frames.
    Evidence
        Line numbers, what stood there and what was expected (see the recording's problems).
    Cannot tell
        What they said.
    Next step
        Record again if they lie where a control was operated.
    """
    own = evidence.recording
    if not own.problem_count:
        return
    first = own.problems[0]
    count = own.problem_count
    yield Finding(
        check="unread-lines",
        severity="warning",
        subject=(),
        claim=f"{counted(count, 'line')} could not be read, the first at {first.line}: {first.found}",
        evidence=Lines(tuple(each.line for each in own.problems[:MOST_LINES] if each.line)),
        cannot_tell="What stood there.",
        next_step="Record again if these lines lie where a control was operated.",
        would_change="A recording without such lines.",
    )


def unrecorded_errors(evidence: BusEvidence) -> Iterator[Finding]:
    """unrecorded-errors: this recording cannot show errors, so it does not show that there were none.

    Looks for
        A recording in a format without a place for error frames; or one without error records beside a reading of
        the meter that makes errors likely.
    Why it matters
        "No errors recorded" is not "no errors". A bus may break a frame every second, and this log would look the
        same.
    Evidence
        The format, and how it can be known whether the recorder keeps errors.
    Cannot tell
        Whether there were errors.
    Next step
        Record once more in a form that keeps error frames; a recorder may have to be told to keep them.
    """
    ledger = evidence.errors
    if ledger is None or not evidence.frames or ledger.recorded == "yes":
        return
    makes_likely = any(each.name == "h_l_ohm" and each.state == "odd" for each in evidence.readings)
    if ledger.recorded == "unknown" and not makes_likely:
        return
    yield Finding(
        check="unrecorded-errors",
        severity="note",
        subject=(),
        claim=f"Whether frames broke is not recorded. {ledger.recorded_because}",
        cannot_tell="Whether there were errors.",
        next_step="Record once more with error frames kept; with candump: candump -L can0,0:0,#FFFFFFFF.",
        would_change="A recording whose recorder is known to keep error frames.",
    )
