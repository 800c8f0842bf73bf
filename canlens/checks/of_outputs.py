"""Checks: whether each output followed its rule, and what of that was never shown.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.checks.entry import Said, called, lines_of, terminal
from canlens.judging import telling, wrongs
from canlens.judging.deviations import ANSWERS, unseen_parts
from canlens.judging.settling import SPARE_S
from canlens.results.finding import Finding, safety_caution
from canlens.wording import listed, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.judging import Deviation
    from canlens.judging.deviations import Part
    from canlens.nouns.outputs import Evidence, SeenRules
    from canlens.plan import Output, Rule


def exchanged_outputs(evidence: Evidence) -> Iterator[Finding]:
    """exchanged-outputs: two outputs follow each other's rules.

    Looks for
        Two outputs, the exercises of each explained by the other's rule, all or all but a few, not by its own.
    Why it matters
        Controller, supply and bus work; two settings or two plugs are exchanged. It is quickly mended.
    Evidence
        The exercises that each of them did not answer, and those of the other that it did.
    Cannot tell
        Whether the settings are exchanged, the plugs behind the controller, or the plan.
    Next step
        Exchange the two in the controller's configuration, then operate the controls of both again.
    """
    outputs, told = evidence.plan.outputs, set[str]()
    for name in outputs:
        found = wrongs(evidence, name, *ANSWERS)
        other = found[0].instead.partner if found and found[0].instead.value == "exchanged" else ""
        if not other or name in told:
            continue
        told |= {name, other}
        found += wrongs(evidence, other, *ANSWERS)
        pair = (outputs[name], outputs[other])
        controls = dict.fromkeys(control for each in pair for control in each.when.controls)
        yield Finding(
            check="exchanged-outputs",
            severity="failure",
            safety=any(each.safety for each in pair),
            subject=(name, other),
            claim=(
                f"{called(pair[0])} and {called(pair[1])} are exchanged: {name} follows '{pair[1].when}', "
                f"{other} follows '{pair[0].when}'."
            ),
            evidence=lines_of(*(each.steps for each in found)),
            cannot_tell="Whether the settings are exchanged, the plugs behind the controller, or the plan.",
            next_step=(
                f"Exchange {name} and {other} in the controller's configuration, then operate {listed(controls)} "
                "three times each."
            ),
            would_change=f"{name} following '{pair[0].when}' and {other} following '{pair[1].when}'.",
            caution=" ".join(dict.fromkeys(filter(None, (safety_caution(each.safety, "") for each in pair)))),
        )


def misrouted_output(evidence: Evidence) -> Iterator[Finding]:
    """misrouted-output: an output follows another rule than the planned one.

    Looks for
        An output whose exercises are explained by a rule that is not its own, all of them or all but a few: the
        smallest rule over the controls that agrees with the settings seen, or the rule of another output. Two
        outputs that follow each other's rules are told as exchanged-outputs.
    Why it matters
        Controller, supply and bus work; one setting or two plugs are exchanged. It is the commonest mistake and the
        quickest mended.
    Evidence
        The rule that fits, how many exercises it explains, the rules that fit as well.
    Cannot tell
        Whether the setting or the wiring behind the output is exchanged, when other rules fit as well: which one it
        is.
    Next step
        Correct the assignment in the controller's configuration, then exercise both controls again.
    """
    for name, output in evidence.plan.outputs.items():
        found = wrongs(evidence, name, *ANSWERS)
        if not found or found[0].instead.value not in {"another's", "other"}:
            continue
        fits = found[0].instead.rules
        others = [
            other.name
            for other in evidence.plan.outputs.values()
            if other is not output and fits[0].same_as(other.when)
        ]
        whose = f", which is the rule of {' and '.join(others)}" if others else ""
        how = _how(evidence.outputs[name].seen, fits[0])
        as_well = f" These rules fit as well: {', '.join(map(str, fits[1:4]))}." if fits[1:] else ""
        yield Finding(
            check="misrouted-output",
            severity="failure",
            safety=output.safety is not None,
            subject=(name, *others),
            claim=f"{called(output)} follows '{fits[0]}'{whose}{how}; planned is '{output.when}'.{as_well}",
            evidence=lines_of(*(each.steps for each in found)),
            cannot_tell="Whether the setting is exchanged or the plan: both would look like this.",
            next_step=(
                f"Set {name} to '{output.when}' in the controller's configuration, then operate "
                f"{listed(dict.fromkeys((*output.when.controls, *fits[0].controls)))} three times each."
            ),
            would_change=f"{name} following '{output.when}' and nothing else.",
            caution=safety_caution(output.safety, ""),
        )


def _how(seen: SeenRules, rule: Rule) -> str:
    """Say what is to be known of the rule that fits: that it latches, and what it leaves unexplained."""
    if rule not in seen.rules[:1]:
        return ""
    turns = ", on by one exercise and off by the next" if seen.is_latching else ""
    some = f", in {seen.explained} of {seen.exercises} exercises" if seen.explained < seen.exercises else ""
    return f"{turns}{some}"


def unanswered_control(output: Output, *found: Deviation) -> Said:
    """unanswered-control: a control went on and its output did not follow.

    Looks for
        Rising edges of an output's rule with no rise of the output, neither within the answer time nor later. An
        output that is on all the time answers nothing either.
    Why it matters
        The request reached the bus, so the fault lies behind it.
    Evidence
        Number of unanswered edges; log lines of each.
    Cannot tell
        Whether the controller did not notice, was not set up for it, or could not switch. The recording shows
        messages, not wires.
    Next step
        Compare the controller's configuration with the plan; if it agrees, measure at the output while the control
        is on.
    """
    count, due = len(found[0].steps), found[0].due
    return Said(
        claim=f"{called(output)} did not follow '{output.when}': {count} of {due} exercises not answered.",
        cannot_tell="Whether the controller missed the control, is set up otherwise, or cannot switch.",
        next_step=(
            f"Compare the controller's setting for {output.name} with the plan. If it agrees, measure the voltage "
            f"{terminal(output)} while '{output.when}' is on."
        ),
        would_change=f"{output.name} coming on within {output.within_s:g} s, {times(due)} out of {due}.",
    )


def late_answer(output: Output, *found: Deviation) -> Said:
    """late-answer: an output followed its control, but later than planned.

    Looks for
        Rises of an output after the answer time of its plan has passed, before the next exercise.
    Why it matters
        A stop lamp or a horn that comes late is no use; a steady delay is a setting, a scattered one a busy bus or
        a weak supply.
    Evidence
        Number of late answers, the shortest and longest delay, log lines of the edges.
    Cannot tell
        Where the time is lost; the load may be later still than its command.
    Next step
        Look for a delay in the controller's configuration; compare the delays with one another.
    """
    (late,) = found
    low, high = late.least.min(), late.most.max()
    span = f"{high:.2f} s" if low == high else f"{low:.2f} to {high:.2f} s"
    came = f"came {len(late.steps)} of {late.due} times too late"
    return Said(
        claim=f"{called(output)} {came}: after {span}, planned {output.within_s:g} s.",
        cannot_tell="Where the time is lost, and whether the load itself is later still.",
        next_step=f"Look for a delay in the controller's setting for {output.name}; repeat '{output.when}' five times.",
        would_change=f"Every answer within {output.within_s:g} s, or a plan that allows {high:.1f} s.",
    )


def unasked_output(output: Output, *found: Deviation) -> Said:
    """unasked-output: an output came on although its rule was off.

    Looks for
        Rises of an output while its rule had been off for longer than the answer time and any planned run-on.
    Why it matters
        Something else drives the output: another control, a second rule in the controller, or a wire.
    Evidence
        Number of such rises; their log lines.
    Cannot tell
        What drove it, unless the output follows another control throughout (see misrouted-output).
    Next step
        See which control moved just before; look for a second assignment in the controller's configuration.
    """
    seen = "came" if found[0].link else "was seen"
    return Said(
        claim=f"{called(output)} {seen} on {times(len(found[0].steps))} while '{output.when}' was off.",
        cannot_tell="What drove it; the command may have come from the controller or from outside.",
        next_step=f"Look in the controller's configuration for everything that may switch {output.name}.",
        would_change=f"A recording in which {output.name} stays off whenever '{output.when}' is off.",
    )


def stuck_output(output: Output, *found: Deviation) -> Said:
    """stuck-output: an output stayed on although it had to be off.

    Looks for
        Falling edges of an output's rule after which the output was still on long after answer time and run-on had
        passed; an output that was on from the start of the recording while its rule was off; a planned cut-off that
        never came.
    Why it matters
        An output that does not go off drains the battery, overheats its load or shows a stop lamp that means
        nothing.
    Evidence
        Log lines of the edges that were not followed.
    Cannot tell
        Whether the output is held by a setting, by another control, or by a welded contact that the command does
        not know of.
    Next step
        Switch the ignition off and wait; if the output stays on, pull its fuse and look for what holds it.
    """
    stayed = f"{called(output)} stayed on {times(sum(len(each.steps) for each in found))}"
    due = f"after {found[0].planned:g} s" if found[0].planned else "with its rule"
    return Said(
        claim=f"{stayed} although it should have gone off {due}.",
        cannot_tell="Whether a setting, another control or the switch itself holds it on.",
        next_step=f"Release every control, switch ignition off and watch {output.name}; if it stays on, pull its fuse.",
        would_change=f"{output.name} going off each time as planned.",
    )


def dropped_output(output: Output, *found: Deviation) -> Said:
    """dropped-output: an output went off although its rule was still on.

    Looks for
        Falls of an output, after it had answered, while its rule holds and neither a cut-off nor flashing is
        planned.
    Why it matters
        The controller protected itself (over-current, low supply, heat), restarted, or obeys a time-out that nobody
        planned.
    Evidence
        Log lines at which it went off.
    Cannot tell
        Which of these it was, unless currents or the supply are reported too.
    Next step
        Repeat the long hold with the load unplugged: if the output then stays on, the load draws too much.
    """
    return Said(
        claim=f"{called(output)} went off {times(len(found[0].steps))} while '{output.when}' was still on.",
        cannot_tell="Whether protection, a restart or a time-out switched it off.",
        next_step=f"Hold '{output.when}' for a long time with the load of {output.name} unplugged; compare.",
        would_change=f"{output.name} staying on for as long as '{output.when}' does.",
    )


EVEN_S = 1.0
"""Times that differ by less than this are called nearly the same [s] (our choice)."""


def wrong_run_on(output: Output, *found: Deviation) -> Said:
    """wrong-run-on: an output goes off, but not when it should after its rule has ended.

    Looks for
        Completed times from the end of the rule to the end of the output that lie outside run-on ± tolerance. For
        an output without a planned run-on: those longer than the answer time.
    Why it matters
        Equal times are a timer that is set otherwise than planned; scattered times are a fault.
    Evidence
        The measured times, each known to the interval between two messages; log lines of the edges.
    Cannot tell
        Which of the two is right, the setting or the plan.
    Next step
        Correct the time in the controller's configuration or in the plan, and let it run to the end once more.
    """
    (timer,) = found
    low, high = timer.least.min(), timer.most.max()
    planned = f"{timer.planned:g} s" if timer.planned else f"at once (within {output.within_s:g} s)"
    even = "always nearly the same" if np.ptp(timer.most) < EVEN_S else "scattered"
    kind = f", {even}" if len(timer.most) > 1 else ""
    return Said(
        claim=f"{called(output)} went off {low:.1f} to {high:.1f} s after its rule{kind}; planned is {planned}.",
        cannot_tell="Whether the setting or the plan is right.",
        next_step=f"Correct the run-on of {output.name} in the controller's configuration; let it run to the end once.",
        would_change=f"One full run-on of {planned}.",
    )


def wrong_cut_off(output: Output, *found: Deviation) -> Said:
    """wrong-cut-off: an output is cut off while its rule lasts, but not after the planned time.

    Looks for
        Falls of an output while its rule is still on, at a time that lies outside cut-off ± tolerance.
    Why it matters
        The cut-off protects battery and load; too early, the accessory seems faulty.
    Evidence
        The measured times; log lines of the edges from which they count.
    Cannot tell
        Whether the controller's timer or its protection (over-current, low supply) cut the output off.
    Next step
        Compare the time in the controller's configuration; if it agrees, repeat with the load unplugged.
    """
    (timer,) = found
    low, high = timer.least.min(), timer.most.max()
    return Said(
        claim=f"{called(output)} was cut off after {low:.1f} to {high:.1f} s; planned is {timer.planned:g} s.",
        cannot_tell="Whether the timer or the controller's protection cut it off.",
        next_step=f"Compare the cut-off of {output.name} in the controller's setting; repeat with the load unplugged.",
        would_change=f"One cut-off after {timer.planned:g} s.",
    )


def contradicted_output(output: Output, *found: Deviation) -> Said:
    """contradicted-output: eye, ear or meter saw something else than the bus said.

    Looks for
        Observations of an output (on or off) that the command on the bus contradicts for half a second around them.
    Why it matters
        The chain is whole up to the command and broken behind it.
    Evidence
        Lines of the observations' file and their times.
    Cannot tell
        Whether the wire, the load or the eye was wrong.
    Next step
        Operate the control again and watch; then measure at the load's own two pins.
    """
    return Said(
        claim=f"{called(output)} was {times(len(found[0].steps))} seen otherwise than the bus says.",
        cannot_tell="Whether the wire, the load or the observation is wrong (lines are those of the observations).",
        next_step=f"Operate '{output.when}' again and watch; then measure at the load's own two pins.",
        would_change="Observations that agree with the command.",
    )


def indistinct_rule(evidence: Evidence) -> Iterator[Finding]:
    """indistinct-rule: two rules of the plan never differed, so the recording cannot tell which one an output follows.

    Looks for
        Outputs whose rule was, whenever both were known, the same as another rule of the plan (or, for a single
        control, as another control), except for moments too short to be seen.
    Why it matters
        Two controls that only ever moved together prove nothing about either.
    Evidence
        The two rules.
    Cannot tell
        Which of the two drives the output.
    Next step
        The exercise named: one in which the two rules differ.
    """
    names = tuple(evidence.plan.controls)
    for name, own in evidence.outputs.items():
        rule = evidence.plan.outputs[name].when
        for rival in own.confounded_with:
            found = telling(rule, rival)
            exercise = found.words(names) if found else "operate one without the other, for two seconds or longer"
            yield Finding(
                check="indistinct-rule",
                severity="warning",
                subject=(name,),
                claim=f"'{rule}' and '{rival}' were never seen apart; {name} may follow either.",
                evidence=lines_of(own.answers.due),
                cannot_tell="Which of the two drives it.",
                next_step=f"{exercise[0].upper()}{exercise[1:]}.",
                would_change=f"An exercise in which '{rule}' and '{rival}' differ.",
            )


def untested_part(evidence: Evidence) -> Iterator[Finding]:
    """untested-part: a time, level or flashing that the plan promises was never seen.

    Looks for
        Run-on and cut-off times that never ran to their end, levels by day or night that never stood, flashing that
        never had to happen or that messages come too seldom to show; an output judged by eye that was never seen
        off.
    Why it matters
        What was not seen was not tested, and not tested is never passed.
    Evidence
        None: that is the point.
    Cannot tell
        Anything about the part named.
    Next step
        Make the recording long enough, or the light dark enough, to see it once.
    """
    for name, own in evidence.outputs.items():
        output = evidence.plan.outputs[name]
        run_on_s, cut_after_s = output.run_on_s or 0.0, output.cut_after_s or 0.0
        times_s = {"run_on_s": run_on_s, "cut_after_s": cut_after_s}
        long_s = {"run_long_s": run_on_s + SPARE_S, "hold_long_s": cut_after_s + SPARE_S}
        for each in unseen_parts(own, output):
            part = NAMES[each].format(**times_s)
            yield Finding(
                check="untested-part",
                severity="note",
                subject=(name,),
                claim=f"{called(output)}: {part} was never seen.",
                cannot_tell=f"Whether {part} is as planned.",
                next_step=ADVICE[each].format(name=name, **long_s),
                would_change=f"One recording that shows {part}.",
            )


NAMES: dict[Part, str] = {
    "off": "its going off with its rule",
    "run-on": "the end of its run-on of {run_on_s:g} s",
    "cut-off": "its cut-off after {cut_after_s:g} s",
    "level-by-day": "its level by day",
    "level-by-night": "its level by night",
    "flashing-in-time": "its flashing",
    "flashing": "its flashing",
}
ADVICE: dict[Part, str] = {
    "off": "Watch {name} with every control released and note it as off.",
    "run-on": "Record for {run_long_s:g} s after its rule has ended.",
    "cut-off": "Hold its rule on for {hold_long_s:g} s in one go.",
    "level-by-day": "Record it once by daylight, or with the light sensor lit.",
    "level-by-night": "Record it once in the dark, or with the light sensor covered.",
    "flashing-in-time": "Watch it by eye and note it with --observed: its messages come too seldom.",
    "flashing": "Hold the control that makes it flash for three seconds.",
}


def unshown_output(evidence: Evidence) -> Iterator[Finding]:
    """unshown-output: nothing on the bus shows an output, and nobody noted what it did.

    Looks for
        Outputs of the plan without a command signal and without observations.
    Why it matters
        Many controllers tell the bus nothing of their outputs. Then only eye, ear or meter can.
    Evidence
        None: that is the point.
    Cannot tell
        Anything about the output.
    Next step
        Watch it while its control is operated, note time, output, on (1 or 0), and give the list with --observed.
    """
    for name, own in evidence.outputs.items():
        output = evidence.plan.outputs[name]
        if own.judged_from != "nothing" or output.command is not None:
            continue
        yield Finding(
            check="unshown-output",
            severity="note",
            subject=(name,),
            claim=f"Nothing on the bus shows {called(output)}, and no observations were given.",
            cannot_tell="Whether it works.",
            next_step=f"Operate '{output.when}', watch {name}, note the times and give them with --observed.",
            would_change=f"Observations of {name}, on and off.",
        )
