"""Output views: the outputs of a job, their chains, and every control against every output."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import words
from canlens.reports.page.environment import KEPT
from canlens.reports.page.views import Row, moment
from canlens.reports.rule_words import planned_words
from canlens.reports.text import break_words
from canlens.reports.text_sections import output_remarks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.findings import Finding
    from canlens.measures.crossing import Crossing
    from canlens.plan import Plan
    from canlens.results import CheckResult, LinkState, OutputResult, Verdict

STATES: dict[Verdict, LinkState] = {"proven": "seen", "failed": "broken", "not-proven": "cannot-tell"}
"""The sign of a verdict."""
STATE_WORDS: dict[LinkState, str] = {"seen": "seen", "broken": "broken", "cannot-tell": "cannot tell"}

OUTPUT_HEADINGS = (
    "output",
    "on when",
    "verdict",
    "answered",
    "late",
    "on unasked",
    "too short",
    "latency median / longest, ms",
    "what it really follows",
)
CONTROL_HEADINGS = ("control", "signal", "exercises", "marked", "first", "last")


def output_views(result: CheckResult, plan: Plan, findings: Sequence[Finding]) -> list[dict[str, object]]:
    """Return what the page shows of each output: its rule, its state, its chain."""
    return [
        {
            "name": name,
            "load": output.load,
            "safety": plan.outputs[name].safety is not None,
            "state": STATES[output.verdict],
            "word": words.VERDICTS[output.verdict],
            "planned": planned_words(plan.outputs[name]),
            "why": words.capital(words.sentence(_why(output))),
            "follows": _follows(output),
            "summary": " ".join(words.sentence(each) for each in output_remarks(output))
            or words.capital(words.sentence(_why(output))),
            "findings": [
                number for number, each in enumerate(findings, 1) if name in each.subject and not each.consequence_of
            ],
            "links": _links(output),
        }
        for name, output in result.outputs.items()
    ]


def _why(output: OutputResult) -> str:
    """Say in a few words what became of an output."""
    if output.verdict == "failed":
        return break_words(output)
    if output.verdict == "not-proven" or output.latency_s.median is None:
        return output.reason
    return f"{output.reason}, typically after {words.milliseconds(output.latency_s.median)}{KEPT}ms"


def _follows(output: OutputResult) -> str:
    """Say which rule an output follows instead of the planned one; nothing where it follows that."""
    if output.verdict == "proven" or output.observed in {None, output.planned}:
        return ""
    return f"What it really follows: {output.observed}"


def _links(output: OutputResult) -> list[dict[str, object]]:
    """Return the nine links of the chain."""
    return [
        {
            "state": output.links[link],
            "name": f"{number} {name}",
            "word": STATE_WORDS[output.links[link]],
            "is_first": link == output.first_broken_link,
            "lines": _lines(output.links_evidence.get(link, ()), output.links[link]),
        }
        for number, (link, name) in enumerate(words.LINK_NAMES.items(), 1)
    ]


def _lines(lines: Sequence[int], state: LinkState) -> str:
    return f"line {lines[0]}" if lines and state != "cannot-tell" else ""


def output_rows(result: CheckResult) -> list[Row]:
    """Return the table of outputs by their rules."""
    return [
        Row(
            (
                name,
                output.planned,
                words.VERDICTS[output.verdict],
                f"{output.answered} of {output.due}",
                output.late,
                output.unasked,
                output.too_short,
                f"{words.milliseconds(output.latency_s.median)} / {words.milliseconds(output.latency_s.max)}",
                output.observed or "–",
            )
        )
        for name, output in result.outputs.items()
    ]


def control_rows(result: CheckResult) -> list[Row]:
    """Return the table of controls; the recorder's own stamps only where there is one recording."""
    start_s = result.recordings[0].start if len(result.recordings) == 1 else None
    return [
        Row(
            (
                name,
                control.signal,
                control.exercises,
                "–" if control.marked is None else control.marked,
                _both(control.first_s, start_s),
                _both(control.last_s, start_s),
            )
        )
        for name, control in result.controls.items()
    ]


def _both(time_s: float | None, start_s: float | None) -> str:
    """Say a time in seconds from the start and by the recorder's clock."""
    told = moment(time_s, start_s)
    if told is None:
        return "–"
    return f"{told.seconds}{KEPT}s ({told.stamp})" if told.stamp else f"{told.seconds}{KEPT}s"


def matrix_view(crossed: Sequence[Crossing], result: CheckResult, which: str) -> dict[str, object]:
    """Return every control against every output of one recording."""
    outputs = list(dict.fromkeys(each.output for each in crossed))
    controls = list(dict.fromkeys(each.control for each in crossed))
    cells = {(each.control, each.output): each for each in crossed}
    return {
        "which": which,
        "outputs": outputs,
        "rows": [
            {
                "control": control,
                "signal": result.controls[control].signal,
                "exercises": max(cells[control, output].exercises for output in outputs),
                "cells": [_cell(cells[control, output]) for output in outputs],
            }
            for control in controls
        ],
    }


def _cell(each: Crossing) -> dict[str, object]:
    longest = (
        ""
        if each.longest_s is None
        else f"{words.milliseconds(each.median_s)} / {words.milliseconds(each.longest_s)} ms"
    )
    return {
        "is_planned": each.is_planned,
        "followed": bool(each.followed),
        "text": f"{each.followed} of {each.due}" if each.due else "–",
        "latency": longest,
    }
