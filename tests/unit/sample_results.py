"""Results made by hand, for tests of what is written from them."""

from __future__ import annotations

from dataclasses import replace

from canlens.nouns.bus import BusResult, RecordingResult
from canlens.results.check import LINKS, CheckResult, ControlResult, LatencyResult, LinkState, OutputResult
from canlens.results.finding import Cause, Finding, Lines
from canlens.trace import Problem

RECORDING = RecordingResult(
    file="job.log",
    sha256="ab" * 32,
    format="candump",
    start=1760000000.0,
    duration_s=92.1,
    frames=41234,
    channels=("can0",),
    error_frames=0,
    error_frames_recorded="unknown",
    quality="usable",
    quality_reasons=("3 lines could not be read",),
    problem_count=3,
    problems=(Problem(line=12, found="(17600", expected="(time) channel frame", count=3),),
)
BUS = BusResult(bit_rate=250_000, bit_rate_source="given", bus_load=0.31, bus_load_peak=0.44, window_s=1.0)


def links(broken: str | None = None, *, untold: tuple[str, ...] = ("output", "load")) -> dict[str, LinkState]:
    """Return the nine links: seen up to the broken one, which hides those behind it."""
    states: dict[str, LinkState] = {}
    for link in LINKS:
        hidden = "broken" in states.values() or link in untold
        states[link] = "broken" if link == broken else "cannot-tell" if hidden else "seen"
    return states


def proven(planned: str = "horn", load: str = "two-tone siren") -> OutputResult:
    """Return an output that did all that was asked."""
    return OutputResult(
        verdict="proven",
        reason="5 of 5 exercises answered",
        planned=planned,
        observed=planned,
        also_fits=(),
        next_exercise=None,
        due=5,
        answered=5,
        late=0,
        unasked=0,
        too_short=0,
        latency_s=LatencyResult(median=0.0234, max=0.0312),
        links=links(),
        first_broken_link=None,
        load=load,
    )


def failed(planned: str = "horn", link: str = "commanded") -> OutputResult:
    """Return an output that follows another control."""
    return replace(
        proven(planned),
        verdict="failed",
        reason="0 of 5 exercises answered; on 4 times without being asked.",
        observed="brake_front",
        answered=0,
        unasked=4,
        latency_s=LatencyResult(median=None, max=None),
        links=links(link),
        first_broken_link=link,
    )


def unproven(planned: str = "ignition") -> OutputResult:
    """Return an output whose control was operated once."""
    return replace(
        proven(planned, load="flood lamp"),
        verdict="not-proven",
        reason="ignition was exercised once; 3 exercises are needed.",
        next_exercise="Switch ignition on and off twice more, at least 2 s each.",
        due=1,
        answered=1,
        also_fits=("ignition or horn",),
    )


FINDING = Finding(
    check="unanswered-control",
    severity="failure",
    safety=True,
    subject=("siren",),
    claim="horn went on 5 times and siren did not follow once.",
    evidence=Lines(lines=(812, 1544), times_s=(3.1, 7.25)),
    cannot_tell="Whether the load works: the recording shows the command, not the sound.",
    next_step="Set output siren to horn in the controller's configuration, then record again.",
    would_change="siren commanded within 0.3 s of each time horn goes on.",
    caution="Fuse the supply before you measure at the terminal.",
)
NOTE = Finding(
    check="not-exercised",
    severity="note",
    subject=("flood",),
    claim="ignition was exercised once.",
    cannot_tell="Whether flood works.",
    next_step="Switch ignition on and off twice more.",
    would_change="3 exercises of ignition.",
)
CAUSE = Cause(
    cause="output-follows-other-control",
    scope="output",
    subject=("siren",),
    probability=0.97,
    because=("siren rose 4 of 4 times with brake_front.",),
    against=("One rise came late.",),
    next_test="Operate brake_front alone and listen for the siren.",
    caution="Keep hands off moving parts.",
)

FAILED = CheckResult(
    verdict="failed",
    title="Fellside rescue buggy, auxiliary box",
    recordings=(RECORDING,),
    buses={"can0": BUS},
    bus=BUS,
    controls={
        "horn": ControlResult(signal="GripSwitches.Horn", exercises=5, first_s=3.1, last_s=40.0),
        "ignition": ControlResult(signal="Body.Ignition", exercises=1, first_s=0.5, last_s=0.5),
        "dusk": ControlResult(signal="Body.Daylight", exercises=0, first_s=None, last_s=None),
    },
    outputs={"siren": failed(), "flood": unproven(), "lamp": proven("horn", "repeater")},
    findings=(NOTE, FINDING),
    causes=(CAUSE,),
)
PROVEN = replace(
    FAILED,
    verdict="proven",
    outputs={"siren": proven(), "lamp": proven("horn or ignition", "repeater")},
    findings=(),
    causes=(),
)
NOT_PROVEN = replace(
    FAILED,
    verdict="not-proven",
    outputs={"siren": proven(), "flood": unproven()},
    findings=(NOTE,),
    causes=(),
)
