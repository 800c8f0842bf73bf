"""Checks: whether controls moved and the controller noticed; whether the controller is alive.

The docstring of a check is its manual page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import called, lines_of
from canlens.judging import deviations
from canlens.plan.rule import ON
from canlens.results.finding import MEASURE_LIVE, Finding, safety_caution
from canlens.wording import counted, listed, times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def silent_controller(evidence: Evidence) -> Iterator[Finding]:
    """silent-controller: there is traffic, but not one message of the controller.

    Looks for
        A plan that names the controller's node, a recording with traffic, and no frame of any message that this
        node sends.
    Why it matters
        The controller is not powered, not connected to this bus, or hears at another bit rate.
    Evidence
        The node's messages in the DBC; the number of other frames.
    Cannot tell
        Which of these it is. A controller that only listens sends nothing by design.
    Next step
        Measure the controller's supply and ground at its own plug, under load.
    """
    if evidence.controller_seen is not False or not evidence.frames or not evidence.fits:
        return
    node = evidence.plan.controller.node or ""
    own = [each.name for each in evidence.plan.database.messages if node in each.senders]
    yield Finding(
        check="silent-controller",
        severity="failure",
        subject=(node,),
        claim=f"{node} sent nothing: no frame of {', '.join(own) or 'its messages'} among {evidence.frames} frames.",
        cannot_tell="Whether it has no supply, no bus, or another bit rate.",
        next_step=f"Measure supply and ground of {node} at its own plug with a lamp as load, then H and L there.",
        would_change=f"Frames of {node}.",
        caution=MEASURE_LIVE,
    )


def restarting_controller(evidence: Evidence) -> Iterator[Finding]:
    """restarting-controller: an output did otherwise than planned just while the controller fell silent and returned.

    Looks for
        Silences of all messages of the controller while others came, and outputs that missed an exercise, dropped
        or went off at a wrong time from one and a half seconds before such a silence until one and a half after it;
        a timer may have begun anew. What an output did then is not held against it, nor is it proven.
    Why it matters
        A controller that starts anew forgets what it was doing. The fault is its supply, its ground or its plug,
        seldom the output.
    Evidence
        How often and how long it was silent; log lines of what the outputs did.
    Cannot tell
        Why it fell silent; and what the outputs would have done.
    Next step
        Measure supply and ground at the controller's own plug while the outputs turn on.
    """
    found = [(name, each) for name in evidence.outputs for each in deviations(evidence, name)]
    hidden = [(name, each) for name, each in found if each.excused_by == "restart"]
    if not hidden or evidence.supply is None:
        return
    node = evidence.plan.controller.node or "The controller"
    names = tuple(dict.fromkeys(name for name, _ in hidden))
    outputs = [evidence.plan.outputs[name] for name in names]
    silent_s = evidence.supply.restarts_s[:, 1] - evidence.supply.restarts_s[:, 0]
    silent = f"fell silent {times(len(silent_s))}, at the longest for {silent_s.max():.1f} s, and came back"
    cautions = filter(None, (*(safety_caution(each.safety, "") for each in outputs), MEASURE_LIVE))
    yield Finding(
        check="restarting-controller",
        severity="failure",
        safety=any(each.safety is not None for each in outputs),
        subject=(node, *names),
        claim=f"{node} {silent}; {listed(map(called, outputs))} did not do as planned then.",
        evidence=lines_of(*(each.steps for _, each in hidden)),
        cannot_tell=f"Why it fell silent, and whether {listed(names)} would have done as planned.",
        next_step=f"Measure supply and ground of {node} at its own plug while {listed(names)} turns on.",
        would_change=f"Messages of {node} without a break while every control is operated.",
        caution=" ".join(dict.fromkeys(cautions)),
    )


def unmoved_control(evidence: Evidence) -> Iterator[Finding]:
    """unmoved-control: the person operated a control, but its signal never moved.

    Looks for
        Controls with marked exercises whose message is on the bus and whose signal shows no rising edge at all.
    Why it matters
        The finger did its part; the switch, its wire, the module that reads it or the DBC did not.
    Evidence
        The number of marked exercises.
    Cannot tell
        Whether the switch is faulty or the signal is not the right one: a bit beside it may move.
    Next step
        See whether the control's original function works; then record once more and look for the bit that does
        move.
    """
    for name, own in evidence.controls.items():
        if own.marked is None or not own.is_unmoved:
            continue
        shown = f"{len(own.marked) - own.missed} times" if own.missed < len(own.marked) else "nothing"
        signal = evidence.plan.controls[name].condition.reference.path
        yield Finding(
            check="unmoved-control",
            severity="failure",
            subject=(name,),
            claim=f"Your notes say that {name} was operated {times(len(own.marked))}; {signal} shows {shown} of it.",
            cannot_tell="Whether the switch is faulty or this is not its signal.",
            next_step=f"See whether the original function of {name} works. If it does, {signal} is not its signal.",
            would_change=f"{signal} moving when {name} is operated.",
        )


def unheard_control(evidence: Evidence) -> Iterator[Finding]:
    """unheard-control: a control moved, but the controller says that it did not notice.

    Looks for
        Controls with a planned ``noticed`` signal that never followed the control's exercises.
    Why it matters
        The request reached the bus; the controller does not hear it: wrong profile, wrong identifier, or an input
        that is off.
    Evidence
        Log lines of the control's exercises.
    Cannot tell
        Whether the controller looks for another message or is told to ignore this one.
    Next step
        Compare the vehicle profile in the controller's configuration with the vehicle.
    """
    for name, own in evidence.controls.items():
        if not own.is_unheard:
            continue
        yield Finding(
            check="unheard-control",
            severity="failure",
            subject=(name,),
            claim=f"{name} was operated {times(len(own.exercises))}; the controller's own report never followed.",
            evidence=lines_of(own.exercises),
            cannot_tell="Whether the controller listens for another message or ignores this one.",
            next_step="Compare the vehicle profile in the controller's configuration with the vehicle.",
            would_change=f"The controller's report following {name}.",
        )


def unexercised_control(evidence: Evidence) -> Iterator[Finding]:
    """unexercised-control: a control was operated too seldom to prove anything.

    Looks for
        Controls of an output's rule with fewer exercises than the plan asks for, counting only those that could
        have shown the output following.
    Why it matters
        What was not exercised was not tested, and not tested is never passed.
    Evidence
        Number of exercises, number asked for.
    Cannot tell
        Anything about the output beyond the exercises that were made.
    Next step
        Operate the control as often as is missing, each time longer than the answer time.
    """
    lacking: dict[str, tuple[int, int, list[str]]] = {}
    for name, own in evidence.outputs.items():
        for control, count in own.exercised.items():
            needed = evidence.plan.exercises_needed(evidence.plan.outputs[name], control)
            if count < needed and evidence.controls[control].message_seen:
                known = lacking.get(control, (count, needed, []))
                lacking[control] = (min(count, known[0]), max(needed, known[1]), [*known[2], name])
    for control, (count, needed, outputs) in lacking.items():
        done = f"only {times(count)}" if count else "not at all"
        yield Finding(
            check="unexercised-control",
            severity="note",
            subject=(control, *outputs),
            claim=f"{control} was exercised {done} in a way that counts; {needed} are asked for.",
            evidence=lines_of(evidence.controls[control].exercises),
            cannot_tell=f"Whether {', '.join(outputs)} would follow.",
            next_step=f"Operate {control} {counted(needed - count, 'more time')} and record.",
            would_change=f"{needed} exercises of {control}, each answered.",
        )


def counted_invalid(evidence: Evidence) -> Iterator[Finding]:
    """counted-invalid: a control's signal showed a value that looks invalid, and the plan counts it as on or off.

    Looks for
        Rows of a control whose bits are all set, or whose name in the value table says error or not available,
        where the plan does not list that value as unknown. What the value table calls invalid is unknown by itself,
        unless the plan says that it means on.
    Why it matters
        A sensor that says "not available" while it starts, or fails, would look like an operation.
    Evidence
        Signal, value, how it counts, number of rows; lines of the first ones.
    Cannot tell
        Whether the value is a real one: a signal may use its whole range.
    Next step
        List the raw value under "unknown" of the control, unless it is a real one.
    """
    for name, own in evidence.controls.items():
        reference = evidence.plan.controls[name].condition.reference
        for raw, state, places in own.invalid:
            text = reference.definition.table.get(raw)
            meaning = f"'{text}'" if text is not None else "all its bits set"
            yield Finding(
                check="counted-invalid",
                severity="note",
                subject=(name,),
                claim=(
                    f"{reference.path} showed {raw} ({meaning}) in {counted(len(places), 'row')}, which the plan "
                    f"counts as {name} {'on' if state == ON else 'off'}."
                ),
                evidence=lines_of(places),
                cannot_tell="Whether it is a real value or says that there is none.",
                next_step=f"List it in the plan, unless it is a real one: [controls.{name}] unknown = [{raw}].",
                would_change="The value listed as unknown, or never seen.",
            )
