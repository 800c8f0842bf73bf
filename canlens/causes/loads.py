"""Loads: whether current flows as it should."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.causes.cause import Candidate, Case, Sign
from canlens.causes.weighing import output_words, yes
from canlens.judging import wrongs
from canlens.nouns.outputs import LoadEvidence
from canlens.plan.rule import ON
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.outputs import Evidence, OutputEvidence


# Loads: whether current flows as it should.


FEWEST_DROPS = 2
"""A single drop may be a timer, or a hand that slipped."""


def cases(asked: Asked) -> Iterator[Case]:
    """Ask of every output whose current or voltage is reported whether its load is right."""
    evidence = asked.evidence
    for name, own in evidence.outputs.items():
        if own.judged_from != "bus" or not evidence.frames:
            continue
        load = own.load or LoadEvidence()
        signs = tuple(_signs(evidence, own, load))
        if signs:
            yield Case(
                "load",
                (name,),
                signs,
                {} if load.has_voltage else {"output-not-fed": ()},
                words=output_words(evidence, name),
                safety=evidence.plan.outputs[name].safety,
            )


def _signs(evidence: Evidence, own: OutputEvidence, load: LoadEvidence) -> Iterator[Sign]:
    output, wrong = evidence.plan.outputs[own.name], {each.kind for each in wrongs(evidence, own.name)}
    ever_on = own.track is not None and own.track.shows(ON)
    limit = output.peak_a or output.continuous_a
    is_above = limit is not None and load.highest_a > limit
    gave_out = is_above and _falls_while_asked(own)
    if load.has_current and (ever_on or is_above):
        flowed = is_above or (not math.isnan(load.on_current_a) and load.on_current_a > 0)
        if "interrupted-current" in wrong:
            yield Sign("current", "interrupted", "its current breaks off and returns while it is on")
        elif is_above and ("no-current" in wrong or gave_out or len(load.switches_itself)):
            yield Sign("current", "gives out", "its current flows for a moment and then stops")
        elif "no-current" in wrong:
            yield Sign("current", "none", "commanded on, but no current flows")
        elif flowed:
            yield Sign("current", "flows", "current flows while it is on")
        if limit is not None and not math.isnan(load.highest_a):
            value = "above" if "over-current" in wrong else "for a moment" if is_above else "below"
            yield Sign("limit", value, f"its current reaches {load.highest_a:.3g} A, limit {limit:g} A")
        yield yes("stray", "stray-current" in wrong, "current flows while it is off", "no current while it is off")
    if len(own.answers.answered) + len(own.answers.dropped_out) and not is_above:
        number = len(own.answers.dropped_out) + (len(own.dropped) if "dropped" in wrong else 0)
        number = number if number >= FEWEST_DROPS else 0
        told = f"it answers in time and drops out {counted(number, 'time')}"
        yield yes("drops", number, told, "it never dropped out")
    if load.has_voltage and ever_on:
        yield (
            Sign("voltage", "none", "no voltage while it is on")
            if "no-voltage" in wrong
            else Sign("voltage", "there", "voltage is there")
        )


def _falls_while_asked(own: OutputEvidence) -> bool:
    """Tell whether the output ever went off while its rule held."""
    track = own.track
    if track is None or not len(track.falls):
        return False
    fall_s = track.time_s[track.falls]
    return bool(((own.rule.at(fall_s) == ON) & (own.rule.at(fall_s - track.slack_s) == ON)).any())


LOAD_OPEN = Candidate(
    name="load-open",
    scope="output",
    question="load",
    weight=8,
    chances={
        "current": {"flows": 0.02, "none": 0.95, "gives out": 0.01, "interrupted": 0.02},
        "limit": {"below": 0.996, "for a moment": 0.002, "above": 0.002},
        "voltage": {"there": 0.97, "none": 0.03},
        "stray": {"no": 0.995, "yes": 0.005},
    },
    docstring="""load-open: commanded and fed, but no current flows.

What is wrong
    A wire to the load, its fuse, its ground or the load itself is open; or an LED lamp draws less than the
    controller can sense.
Speaks for it
    Command on, voltage there, and no current from the first moment.
Speaks against it
    Current that flows, even for a moment; no voltage at the terminal.
Next test
    Measure the voltage at the load's own two pins while the output is on: full voltage is a dead load, none an open
    wire.
""",
)


OUTPUT_NOT_FED = Candidate(
    name="output-not-fed",
    scope="output",
    question="load",
    weight=4,
    chances={
        "current": {"flows": 0.01, "none": 0.97, "gives out": 0.01, "interrupted": 0.01},
        "voltage": {"there": 0.01, "none": 0.99},
        "stray": {"no": 0.999, "yes": 0.001},
    },
    docstring="""output-not-fed: commanded, neither voltage nor current.

What is wrong
    The output's own fuse, its supply pin or its switch in the controller is open: the command never becomes a voltage.
Speaks for it
    Command on, and neither voltage nor current from the first moment, while other outputs have both.
Speaks against it
    Voltage at the output; current, even for a moment.
Next test
    Measure the voltage at the controller's terminal of this output while it is on; then its fuse and its supply pin.
""",
)


OUTPUT_INTERMITTENT = Candidate(
    name="output-intermittent",
    scope="output",
    question="load",
    weight=4,
    chances={
        "current": {"flows": 0.24, "none": 0.01, "gives out": 0.05, "interrupted": 0.7},
        "drops": {"no": 0.4, "yes": 0.6},
        "limit": {"below": 0.95, "for a moment": 0.04, "above": 0.01},
        "voltage": {"there": 0.9, "none": 0.1},
    },
    docstring="""output-intermittent: it answers in time, drops out and comes back.

What is wrong
    A contact of the output, its plug or its load is loose, or its protection switches off and tries again.
Speaks for it
    Answers in time that break off and return while the control is held; a current with short gaps.
Speaks against it
    A current that flows without a break; gaps as long as those of a thermostat or a pressure switch.
Next test
    Hold the control and move plug and wire; then feed the load directly through a fuse and move them again.
""",
)


LOAD_OVER_CURRENT = Candidate(
    name="load-over-current",
    scope="output",
    question="load",
    weight=8,
    chances={
        "current": {"flows": 0.2, "none": 0.15, "gives out": 0.6, "interrupted": 0.05},
        "limit": {"below": 0.08, "for a moment": 0.32, "above": 0.6},
        "voltage": {"there": 0.6, "none": 0.4},
        "stray": {"no": 0.98, "yes": 0.02},
    },
    docstring="""load-over-current: current above the limit, then cut off.

What is wrong
    The load or its wire is shorted, a motor is stuck, or the limit is set below what the load draws when it starts.
Speaks for it
    Current above the output's limit; the output is switched off soon after, tries again a few times and stays off.
Speaks against it
    Current below the limit all the time.
Next test
    Unplug the load and operate the control again: an output that now stays on clears the controller.
""",
)
