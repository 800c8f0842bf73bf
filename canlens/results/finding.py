"""Findings, causes, cautions: what a person is shown, each with its evidence and its limits."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Literal

# Findings and causes: what a person is shown, each with its evidence and its limits.


Severity = Literal["failure", "warning", "note"]
Scope = Literal["bus", "controller", "control", "output"]


@dataclass(frozen=True)
class Lines:
    """Where in the recording the evidence stands.

    Attributes
    ----------
    lines
        Line numbers of the log file, ascending, at most twenty.
    times_s
        The same frames in seconds from the first frame.
    recording
        Which recording of the job, 0-based.
    """

    lines: tuple[int, ...] = ()
    times_s: tuple[float, ...] = ()
    recording: int = 0


@dataclass(frozen=True)
class Finding:
    """One defect (or note) in words an installer uses.

    Attributes
    ----------
    check
        Name of the check, which ``canlens explain`` knows.
    severity
        ``failure``, ``warning`` or ``note``.
    safety
        Whether an output marked as a safety item (horn, stop lamp) is concerned.
    subject
        Names of the outputs, controls, messages or nodes concerned.
    claim
        What was seen, in one sentence.
    evidence
        Where it was seen.
    cannot_tell
        What this finding does not prove.
    next_step
        The one thing to do next.
    would_change
        What would have to be seen for this finding to go away.
    caution
        The usual caution where the next step can hurt; empty where it cannot.
    consequence_of
        Name of the check whose finding on the same subject explains this one; empty where this one stands by itself.
    """

    WRITTEN: ClassVar = (
        "check severity safety subject claim evidence cannot_tell next_step would_change caution consequence_of"
    )

    check: str
    severity: Severity
    subject: tuple[str, ...]
    claim: str
    cannot_tell: str
    next_step: str
    would_change: str
    evidence: Lines = Lines()
    safety: bool = False
    caution: str = ""
    consequence_of: str = ""


@dataclass(frozen=True)
class Cause:
    """A fault that explains evidence, with its probability among the known ones.

    Attributes
    ----------
    cause, scope
        Name and scope as in the catalogue of causes.
    subject
        Names of what is at fault; empty for the whole bus.
    probability
        Marginal, 0 to 1.
    because, against
        Evidence for and against, a sentence each.
    next_test
        The test that tells this cause from its rivals.
    caution
        The caution that belongs to that test.
    """

    cause: str
    scope: Scope
    subject: tuple[str, ...]
    probability: float
    because: tuple[str, ...] = field(default=())
    against: tuple[str, ...] = field(default=())
    next_test: str = ""
    caution: str = ""


# Cautions of the trade, in our words, one for each kind of work that a next step can ask for.


MEASURE_LIVE = (
    "Keep the fuse in place and the probes insulated; a slip shorts the supply. Vehicle secured, second person at the "
    "controls, hands off airbag circuits (yellow)."
)
HORN = "Warn people nearby and protect your hearing before the horn sounds; check the local code before it is fitted."
STOP_LAMP = (
    "Safety item: the original stop lamp must work by itself. Do not drive until a licensed workshop has seen it work."
)
WIRING = (
    "Battery negative off first and on last; the fuse goes in last. The vehicle maker's manual decides; if in doubt, a "
    "licensed electrician or workshop."
)
OVER_CURRENT = "Never raise a fuse or a limit to make it hold; test over-current only with a fused test load."

PARKED = "Park on level ground with the parking brake set and the wheels chocked. Nobody drives or rides meanwhile."
SECOND_PERSON = "Be two: one operates the controls, the other reads the sheet and watches the recorder."
MOVING = (
    "Keep hands and clothes clear of whatever a control can set moving or heat, and off airbag circuits (yellow). An "
    "engine runs in the open only: exhaust gas kills indoors."
)
LISTEN_ONLY = "The recorder only listens. Never transmit on a vehicle's bus, and never bridge a gateway."
MAKER_DECIDES = (
    "The vehicle maker's manual, the local code and a licensed workshop decide: leave out what they do not allow, and "
    "mark it as skipped."
)


def safety_caution(safety: str | None, otherwise: str) -> str:
    """Return the caution of a safety item, followed by that of the work itself."""
    own = {"horn": HORN, "stop-lamp": STOP_LAMP}.get(safety or "", "")
    return f"{own} {otherwise}".strip()
