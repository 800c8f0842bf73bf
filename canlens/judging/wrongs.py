"""Wrongs: what an output did wrong, and what keeps it from being proven although nothing is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.plan.rule import Rule, parse_rule
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence, OutputEvidence, Timer
    from canlens.plan import Output


def wrongs(evidence: Evidence, name: str) -> list[str]:
    """List what an output did wrong, worst first, each as a short sentence."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    unmoved = [control for control in output.when.controls if moved_only_on_paper(evidence, control)]
    said = [f"{control} was operated by the marks, but its signal never moved" for control in unmoved]
    if own.judged_from == "nothing":
        return said
    said += _answer_wrongs(own)
    said += _timer_wrongs(own, output)
    if dropped := len(own.dropped):
        said.append(f"went off {times(dropped)} while still asked for")
    said += look_wrongs(own, output)
    said += load_wrongs(own)
    if len(own.disagreed):
        said.append(f"was seen otherwise than the bus says {times(len(own.disagreed))}")
    return said


def missing(evidence: Evidence, name: str) -> list[str]:
    """List what keeps an output from being proven although nothing is wrong, each as a short sentence."""
    if not evidence.frames:
        return ["there is no traffic in the recording"]
    return [*_unseen_messages(evidence, name), *_unseen_exercises(evidence, name), *_unseen_parts(evidence, name)]


def moved_only_on_paper(evidence: Evidence, control: str) -> bool:
    """Tell whether the marks say that a control was operated while its signal, though present, never moved."""
    own = evidence.controls[control]
    return (
        own.message_seen
        and own.is_readable
        and own.marked is not None
        and len(own.marked) > 0
        and not len(own.exercises)
    )


def followed_instead(evidence: Evidence, name: str) -> tuple[Rule, ...]:
    """Return the rules, none of them its own, that explain what an output did wrong; empty where nothing does."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    if not (len(own.answers.unanswered) or len(own.answers.unasked) or len(own.answers.late)):
        return ()
    fits = tuple(parse_rule(text, tuple(evidence.plan.controls)) for text in own.fits)
    return () if any(rule.same_as(output.when) for rule in fits) else fits


def exchanged_with(evidence: Evidence, name: str) -> str | None:
    """Return the output that follows this one's rule while this one follows its; None where there is none."""
    outputs = evidence.plan.outputs
    follows = followed_instead(evidence, name)
    for other in outputs:
        if other == name or not any(rule.same_as(outputs[other].when) for rule in follows):
            continue
        if any(rule.same_as(outputs[name].when) for rule in followed_instead(evidence, other)):
            return other
    return None


def explained_by(evidence: Evidence, name: str) -> str:
    """Return the check whose finding explains an output's missing and unasked answers; empty where none does."""
    if exchanged_with(evidence, name) is not None:
        return "exchanged-outputs"
    return "misrouted-output" if followed_instead(evidence, name) else ""


def load_wrongs(own: OutputEvidence) -> list[str]:
    """List what was wrong about current and voltage."""
    if own.load is None:
        return []
    said = []
    if len(own.load.over_peak) or len(own.load.over_continuous):
        said.append(f"current above its limit (up to {own.load.highest_a:.3g} A)")
    if len(own.load.no_current):
        said.append("commanded on, but no current flows")
    if len(own.load.no_voltage):
        said.append("commanded on, but there is no voltage")
    if len(own.load.current_when_off):
        said.append("current flows while it is commanded off")
    return said


def look_wrongs(own: OutputEvidence, output: Output) -> list[str]:
    """List what was wrong about level and flashing."""
    said = []
    for level, light in ((own.day, "day"), (own.night, "night")):
        if level is not None and len(level.wrong):
            said.append(f"level by {light} is {np.median(level.medians):.4g}, planned {level.wanted:.4g}")
    if own.flash is not None and len(own.flash.wrong):
        said.append(f"flashes at {np.median(own.flash.frequency_hz):.2g} Hz, planned {output.flash_hz:.2g} Hz")
    return said


def _answer_wrongs(own: OutputEvidence) -> list[str]:
    """List what was wrong about the answers."""
    due = len(own.answers.due)
    said = []
    if unanswered := len(own.answers.unanswered):
        said.append(f"{unanswered} of {due} exercises not answered")
    if late := len(own.answers.late):
        said.append(f"{late} of {due} exercises answered too late")
    if unasked := len(own.answers.unasked):
        said.append(f"came on {times(unasked)} without being asked")
    return said


def _timer_wrongs(own: OutputEvidence, output: Output) -> list[str]:
    """List what was wrong about release, run-on and cut-off."""
    said = []
    for timer, word in ((own.release, "run-on"), (own.cut_off, "cut-off")):
        if timer is None:
            continue
        if len(timer.wrong) and word == "run-on" and not output.run_on_s:
            said.append(f"went off too late ({_span(timer)} after its rule)")
        elif len(timer.wrong):
            said.append(f"{word} is {_span(timer)}, planned {timer.planned_s:g} s")
        elif len(timer.overdue) and timer.planned_s:
            said.append(f"stayed on although its {word} of {timer.planned_s:g} s had passed")
        elif len(timer.overdue):
            said.append("stayed on while its rule was off")
    return said


def _unseen_messages(evidence: Evidence, name: str) -> Iterator[str]:
    """Name the messages and sights without which the output cannot be judged."""
    plan, own, output = evidence.plan, evidence.outputs[name], evidence.plan.outputs[name]
    for control in output.when.controls:
        if not evidence.controls[control].message_seen:
            message = plan.controls[control].condition.reference.message.name
            yield f"the message of {control} ({message}) never came"
        elif not evidence.controls[control].is_readable:
            reference = plan.controls[control].condition.reference
            yield f"{control} cannot be read: no frame of {reference.message.name} is long enough for {reference.path}"
    if own.judged_from == "nothing":
        if own.message_seen is False and output.command is not None:
            yield f"the message that shows it ({output.command.reference.message.name}) never came"
        else:
            yield "nothing on the bus shows it, and no observations were given"
    elif output.command is not None and own.track is not None and not len(own.track.time_s):
        reference = output.command.reference
        yield f"it cannot be read: no frame of {reference.message.name} is long enough for {reference.path}"


def _unseen_exercises(evidence: Evidence, name: str) -> Iterator[str]:
    """Say which exercises are missing."""
    plan, own, output = evidence.plan, evidence.outputs[name], evidence.plan.outputs[name]
    if own.judged_from == "nothing":
        return
    for control, count in own.exercised.items():
        needed = plan.exercises_needed(output, control)
        if count < needed:
            made = len(evidence.controls[control].exercises)
            if count or not made:
                yield (
                    f"{control} was exercised {count} of {needed} times" if count else f"{control} was never exercised"
                )
            else:
                yield f"{control} was operated {times(made)}, but never so that an answer could be seen"
    fewest = min(plan.exercises_needed(output, control) for control in output.when.controls)
    if not len(own.answers.due):
        yield "its rule never came on in a way that could be judged"
    elif len(own.answers.due) < fewest:
        yield f"{output.when} as a whole came on only {times(len(own.answers.due))}; {fewest} are asked for"
    for rival in own.confounded_with:
        yield f"{output.when} and {rival} never differed, so they cannot be told apart"
    if own.judged_from == "observed" and not own.seen_off:
        yield "it was never seen off while its rule was off"


def _unseen_parts(evidence: Evidence, name: str) -> Iterator[str]:
    """Say which promised times, levels and flashes were never seen."""
    own, output = evidence.outputs[name], evidence.plan.outputs[name]
    if own.judged_from != "bus":
        return
    if output.run_on_s is not None and own.release is not None and not own.release.completed:
        yield f"its run-on of {output.run_on_s:g} s was never seen to the end"
    if own.cut_off is not None and not own.cut_off.completed:
        yield f"its cut-off after {own.cut_off.planned_s:g} s was never seen"
    for level, light in ((own.day, "day"), (own.night, "night")):
        if level is not None and not len(level.medians):
            yield f"its level by {light} was never seen"
    if own.flash is not None and own.flash.too_coarse:
        yield "its messages come too seldom to show flashing"
    elif own.flash is not None and not own.flash.stretches:
        yield "it was never seen flashing"


def _span(timer: Timer) -> str:
    """Return the measured times of a timer in words."""
    low, high = float(np.median(timer.shortest_s)), float(np.median(timer.longest_s))
    return f"{high:.2f} s" if high - low < 0.01 else f"{low:.2f} to {high:.2f} s"  # noqa: PLR2004 – what is shown
