"""Job views: outputs, chains, every control against every output, and the bus of a job as a page shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens import wording
from canlens.reports.facts import (
    class_words,
    error_frame_words,
    latency_words,
    limit_words,
    load_sentence,
    quality_words,
    reading_words,
    rest_facts,
)
from canlens.reports.headlines import break_words
from canlens.reports.page.assembling import KEPT
from canlens.reports.page.views import RHYTHM_HEADINGS, Row
from canlens.reports.phrases import planned_words
from canlens.reports.text_sections import follows_words, output_remarks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import MessageEvidence
    from canlens.nouns.pictures import Crossing
    from canlens.plan import Plan
    from canlens.results.check import CheckResult, LinkState, OutputResult
    from canlens.results.finding import Finding


# Output views: the outputs of a job, their chains, and every control against every output.


OUTPUT_HEADINGS = (
    "output", "on when", "verdict", "answered", "late", "on unasked", "too short", "latency median / longest, ms",
    "what it really follows",
)  # fmt: skip
CONTROL_HEADINGS = ("control", "signal", "exercises", "marked", "first", "last")


def output_views(result: CheckResult, plan: Plan, findings: Sequence[Finding]) -> list[dict[str, object]]:
    """Return what the page shows of each output: its rule, its state, its chain."""
    return [
        {
            "name": name,
            "load": output.load,
            "safety": plan.outputs[name].safety is not None,
            "state": wording.VERDICT_SIGNS[output.verdict],
            "word": wording.VERDICTS[output.verdict],
            "planned": planned_words(plan.outputs[name]),
            "why": wording.capital(wording.sentence(_why(output))),
            "follows": _follows(output),
            "summary": " ".join(wording.sentence(each) for each in output_remarks(output))
            or wording.capital(wording.sentence(_why(output))),
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
    return f"{output.reason}, typically after {wording.milliseconds(output.latency_s.median)}{KEPT}ms"


def _follows(output: OutputResult) -> str:
    """Say which rule an output follows instead of the planned one; nothing where it follows that."""
    if output.verdict == "proven" or output.observed in {None, output.planned}:
        return ""
    return follows_words(output)


def _links(output: OutputResult) -> list[dict[str, object]]:
    """Return the nine links of the chain."""
    return [
        {
            "state": output.links[link],
            "name": f"{number} {name}",
            "word": wording.LINK_STATES[output.links[link]][1],
            "is_first": link == output.first_broken_link,
            "lines": _lines(output.links_evidence.get(link, ()), output.links[link]),
        }
        for number, (link, name) in enumerate(wording.LINKS.items(), 1)
    ]


def _lines(lines: Sequence[int], state: LinkState) -> str:
    return f"line {lines[0]}" if lines and state != "cannot-tell" else ""


def output_rows(result: CheckResult) -> list[Row]:
    """Return the table of outputs by their rules."""
    return [
        Row.of(
            name,
            output.planned,
            wording.VERDICTS[output.verdict],
            f"{output.answered} of {output.due}",
            output.late,
            output.unasked,
            output.too_short,
            latency_words(output.latency_s),
            output.observed or "–",
        )
        for name, output in result.outputs.items()
    ]


def control_rows(result: CheckResult) -> list[Row]:
    """Return the table of controls; the recorder's own stamps only where there is one recording."""
    start_s = result.recordings[0].start if len(result.recordings) == 1 else None
    return [
        Row.of(
            name,
            control.signal,
            control.exercises,
            "–" if control.marked is None else control.marked,
            _both(control.first_s, start_s),
            _both(control.last_s, start_s),
        )
        for name, control in result.controls.items()
    ]


def _both(time_s: float | None, start_s: float | None) -> str:
    """Say a time in seconds from the start and by the recorder's clock."""
    if time_s is None:
        return wording.NONE
    return f"{wording.seconds(time_s)}{KEPT}s{f' ({wording.seconds(start_s + time_s)})' if start_s is not None else ''}"


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
        else f"{wording.milliseconds(each.median_s)} / {wording.milliseconds(each.longest_s)} ms"
    )
    return {
        "is_planned": each.is_planned,
        "followed": bool(each.followed),
        "text": f"{each.followed} of {each.due}" if each.due else "–",
        "latency": longest,
    }


# Bus views: load, errors, intervals, sleep and meter readings of a job as a page shows them.


INTERVAL_HEADINGS = ("message", "identifier", "frames", *RHYTHM_HEADINGS, "gaps")
READING_HEADINGS = ("reading", "value", "limit", "source of the limit", "state", "what it means")


def bus_facts(result: CheckResult, evidence: BusEvidence) -> list[tuple[str, str]]:
    """Return the bus in a few lines: load, errors, quality, sleep."""
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    last = result.recordings[-1]
    facts = [(f"bus load {name}".strip(), load_sentence(bus)) for name, bus in buses.items()]
    facts += [
        ("error frames", error_frame_words(last)),
        ("why so", evidence.errors.recorded_because if evidence.errors and not evidence.errors.frames else ""),
        ("error classes", class_words(evidence.errors.classes) if evidence.errors else ""),
        ("error episodes", _episodes(evidence)),
        ("whom they point at", evidence.attribution.sentence if evidence.attribution else ""),
        ("quality", quality_words(last)),
        ("meter and log", " ".join(evidence.fused)),
    ]
    return [*facts, *rest_facts(result.quiet)]


def _episodes(evidence: BusEvidence) -> str:
    if evidence.errors is None or not len(evidence.errors.episodes):
        return ""
    return f"{len(evidence.errors.episodes)}, each a disturbance with the retries after it"


def interval_rows(evidence: BusEvidence) -> list[Row]:
    """Return the rhythm of the messages that were looked at."""
    return [_interval_row(each) for each in evidence.intervals]


def _interval_row(each: MessageEvidence) -> Row:
    interval = each.interval
    return Row.of(
        each.name,
        f"0x{each.identifier:x}",
        each.frames,
        wording.milliseconds(interval.median if interval else None),
        wording.milliseconds(interval.max if interval else None),
        wording.milliseconds(each.declared_s),
        wording.MESSAGE_KINDS[each.kind],
        f"{len(each.gaps.seen)}, {wording.counted(each.gaps.missed, 'frame')} missing"
        if len(each.gaps.seen)
        else "none",
    )


def reading_rows(evidence: BusEvidence) -> list[Row]:
    """Return the meter's readings against their limits."""
    return [
        Row.of(
            each.name,
            reading_words(each.value, each.unit),
            limit_words(each.limit, each.unit),
            each.source + (f"; {each.disagreement}" if each.disagreement else ""),
            wording.READING_STATES[each.state],
            each.meaning,
        )
        for each in evidence.readings
    ]
