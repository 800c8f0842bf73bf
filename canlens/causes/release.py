"""Release and looks: whether an output goes off, shines and flashes as planned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from canlens.causes.cause import Candidate, Case, Sign
from canlens.causes.weighing import output_words, yes
from canlens.judging import wrongs
from canlens.wording import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.causes.weighing import Asked
    from canlens.nouns.outputs import LevelEvidence, OutputEvidence, Timer


# Release, look: whether an output goes off, shines and flashes as planned.


ALIKE = 0.15
"""Times that differ from their median by no more than this share are those of a timer (our choice: a timer is exact to
a few per cent, to which one interval of the message is added)."""


def release_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every output whether it goes off as planned."""
    evidence = asked.evidence
    for name, own in evidence.outputs.items():
        wrong = {each.kind: len(each.steps) for each in wrongs(evidence, name)}
        if own.judged_from != "bus" or own.track is None or not evidence.frames:
            continue
        signs: list[Sign] = []
        if own.release is not None:
            signs += _timer_signs("run-on", own.release, own, wrong.get("wrong-run-on", 0), wrong.get("stuck", 0))
        if own.cut_off is not None:
            of_cut_off = wrong.get("wrong-cut-off", 0), wrong.get("never-cut-off", 0)
            signs += _timer_signs("cut-off", own.cut_off, own, *of_cut_off)
        if len(own.answers.answered):
            dropped = wrong.get("dropped", 0)
            signs.append(
                yes("dropped", dropped, f"went off {counted(dropped, 'time')} while asked for", "it never dropped")
            )
        if signs:
            explained = 1 - asked.wrong("routing", (name,))
            explained *= 1 - asked.wrong("load", (name,), but=["load-open", "output-not-fed"])
            explained *= 1 - asked.explained(name)
            suspects = {} if own.cut_off is not None else {"cut-off-differs": ()}
            yield Case(
                "release",
                (name,),
                tuple(signs),
                suspects,
                explained,
                words=output_words(evidence, name),
                safety=evidence.plan.outputs[name].safety,
            )


def _timer_signs(symptom: str, timer: Timer, own: OutputEvidence, wrong: int, overdue: int) -> Iterator[Sign]:
    """Tell whether a timer is right, or mostly wrong and always alike, or wrong and scattered."""
    planned = f"planned {timer.planned_s:g} s"
    if not wrong and not overdue:
        if timer.completed:
            yield Sign(symptom, "right", f"its {symptom} was right {counted(timer.completed, 'time')} ({planned})")
        return
    if overdue and not timer.completed:
        yield Sign(symptom, "alike", f"it was still on after its {symptom} had passed ({planned})")
        return
    slack_s = own.track.slack_s if own.track is not None else 0.0
    middle_s = float(np.median(timer.longest_s))
    if not timer.planned_s and _is_as_late(middle_s, own, slack_s):
        return
    spread_s = float(np.median(np.abs(timer.longest_s - middle_s)))
    is_rule = 2 * (wrong + overdue) > timer.completed + overdue
    is_planned = float(np.median(timer.shortest_s)) <= timer.planned_s <= middle_s and not overdue
    value = "alike" if spread_s <= ALIKE * middle_s + slack_s and is_rule and not is_planned else "scattered"
    yield Sign(symptom, value, f"its {symptom} is {middle_s:.2f} s, {planned}")


def _is_as_late(off_s: float, own: OutputEvidence, slack_s: float) -> bool:
    """Tell whether an output that should go off at once comes on as late as it goes off: slow is no run-on."""
    on_s = np.concatenate([own.answers.latency_s, own.answers.late_s])
    return bool(len(own.answers.late)) and abs(off_s - float(np.median(on_s))) <= ALIKE * off_s + slack_s


def level_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every output with a level whether it is right."""
    for name, own in asked.evidence.outputs.items():
        kinds = {each.kind for each in wrongs(asked.evidence, name)}
        seen = [(each, light) for each, light in ((own.day, "day"), (own.night, "night")) if _is_seen(each)]
        wrong = [(each, light) for each, light in seen if f"wrong-level-by-{light}" in kinds]
        if seen:
            level, light = (wrong or seen)[0]
            value = "wrong" if wrong else "right"
            sentence = f"by {light} {np.median(level.medians):.4g}, planned {level.wanted:.4g}" if level else ""
            yield _look("level", asked, name, Sign("level", value, f"its level is {sentence}"))


def flash_cases(asked: Asked) -> Iterator[Case]:
    """Ask of every output that should flash whether it does."""
    for name, own in asked.evidence.outputs.items():
        if own.flash is None or not own.flash.is_fine or not own.flash.stretches:
            continue
        planned = asked.evidence.plan.outputs[name].flash_hz or 0.0
        value = "wrong" if wrongs(asked.evidence, name, "wrong-flashing") else "right"
        sentence = f"it flashes at {np.nanmedian(own.flash.frequency_hz):.2g} Hz, planned {planned:.2g} Hz"
        yield _look("flashing", asked, name, Sign("flashing", value, sentence))


def _is_seen(level: LevelEvidence | None) -> bool:
    return level is not None and len(level.medians) > 0


def _look(question: str, asked: Asked, name: str, sign: Sign) -> Case:
    words = output_words(asked.evidence, name)
    left = 1 - asked.probability("supply-sag")
    left *= 1 - asked.wrong("load", (name,), but=["load-open", "output-not-fed"])
    left *= 1 - asked.wrong("routing", (name,), but=["answer-late"])
    left *= 1 - asked.explained(name)
    return Case(question, (name,), (sign,), left=left, words=words, safety=asked.evidence.plan.outputs[name].safety)


RUN_ON_DIFFERS = Candidate(
    name="run-on-differs",
    scope="output",
    question="release",
    weight=8,
    chances={
        "run-on": {"right": 0.01, "alike": 0.9, "scattered": 0.09},
        "dropped": {"no": 0.99, "yes": 0.01},
    },
    docstring="""run-on-differs: it stays on for another time than planned.

What is wrong
    The run-on is configured differently, or was misunderstood: counted from another moment, or switched off by
    another control.
Speaks for it
    The times from the end of the rule to the output's are alike, and not the planned one.
Speaks against it
    Times that scatter: then something else switches it off.
Next test
    Operate it three times and compare the times: all equal is a timer; then look it up in the configuration.
""",
)


CUT_OFF_DIFFERS = Candidate(
    name="cut-off-differs",
    scope="output",
    question="release",
    weight=8,
    chances={
        "cut-off": {"right": 0.01, "alike": 0.9, "scattered": 0.09},
        "dropped": {"no": 0.97, "yes": 0.03},
    },
    docstring="""cut-off-differs: it is cut off after another time than planned.

What is wrong
    The cut-off is configured differently or not at all.
Speaks for it
    On-times under a lasting rule that are alike, and not the planned one; or no cut-off at all.
Speaks against it
    Times that scatter: then a protection or a bad supply switches it off.
Next test
    Hold its rule on for longer than the planned time, twice, and compare the times; then look it up in the
    configuration.
""",
)


LEVEL_DIFFERS = Candidate(
    name="level-differs",
    scope="output",
    question="level",
    weight=6,
    chances={
        "level": {"right": 0.02, "wrong": 0.98},
    },
    docstring="""level-differs: brightness not as planned.

What is wrong
    The level is configured differently, dims by day instead of by night, or the plan means another scale.
Speaks for it
    A steady level that is off by more than the tolerance.
Speaks against it
    The planned level wherever the output was steady.
Next test
    Measure the average voltage at the lamp by day and by night; then look up both levels in the configuration.
""",
)


FLASH_DIFFERS = Candidate(
    name="flash-differs",
    scope="output",
    question="flashing",
    weight=4,
    chances={
        "flashing": {"right": 0.02, "wrong": 0.98},
    },
    docstring="""flash-differs: flashing not as planned.

What is wrong
    The flash frequency is configured differently, or the output does not flash at all.
Speaks for it
    A measured frequency that is off by more than the tolerance.
Speaks against it
    The planned frequency wherever it should flash.
Next test
    Count the flashes of ten seconds; then look up the frequency in the configuration.
""",
)
