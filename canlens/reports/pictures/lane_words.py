"""Lane words: the line above each lane, and what a time line shows, for those who cannot see it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.reports.characters import visible
from canlens.reports.pictures.looks import SHADES
from canlens.reports.pictures.picture import foreign
from canlens.reports.pictures.quantity_words import count, listed, percent, quantity, seconds, short_time

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.picture_evidence import DrawnRecording, Joins, Outcome, StepLane

LONGEST_NAME = 24
WRONG: dict[Outcome, str] = {"late": "late", "unanswered": "no answer"}


def clipped(name: str) -> str:
    """Return a name as text of a figure, cut where it would not fit a phone."""
    return foreign(name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…")


def lane_title(lane: StepLane, drawn: DrawnRecording) -> str:
    """Return the line above a lane: its name, and what it did in a few words."""
    return f"<b>{clipped(lane.name)}</b>  {_told(lane, drawn)}"


def _told(lane: StepLane, drawn: DrawnRecording) -> str:
    """Say in a few words what a lane did."""
    if lane.kind == "control":
        if not lane.changes:
            return "its message never came"
        marked = f", {len(lane.marked_s)} marked" if len(lane.marked_s) else ""
        return f"operated {lane.exercises}×{marked}"
    return ", ".join(_output_parts(lane, drawn))


def _output_parts(lane: StepLane, drawn: DrawnRecording) -> Iterator[str]:
    own = {each.outcome: each for each in drawn.joins if each.output == lane.name}
    answered = len(own["answered"].time_s) if "answered" in own else 0
    wrong = [(len(own[outcome].time_s), word) for outcome, word in WRONG.items() if outcome in own]
    if not lane.exercises:
        yield "never asked" if lane.changes else "nothing on the bus shows it"
    elif answered or len(wrong) != 1:
        yield f"answered {answered} of {lane.exercises}"
        yield from (f"<b>{number} {word}</b>" for number, word in wrong)
    else:
        yield f"<b>{wrong[0][0]} of {lane.exercises} {wrong[0][1]}</b>"
    for each in drawn.moments:
        if each.output == lane.name:
            word = " unasked" if each.kind == "unasked" else "× off by itself"
            yield f"<b>{len(each.time_s)}{word}</b>"


def time_line_words(drawn: DrawnRecording) -> str:
    """Say with its numbers what the time line of a recording shows."""
    return " ".join(_sentences(drawn))


def _sentences(drawn: DrawnRecording) -> Iterator[str]:
    yield f"Time line of {seconds(drawn.duration_s)}."
    for lane in drawn.lanes:
        if lane.kind == "control":
            yield f"Control {visible(lane.name)}: {_told(lane, drawn)}."
    for lane in drawn.lanes:
        if lane.kind == "output":
            told = _told(lane, drawn).replace("<b>", "").replace("</b>", "")
            yield f"Output {visible(lane.name)}: {told}{_slowest(lane, drawn)}."
    for joined in drawn.joins:
        if joined.outcome in {"late", "unanswered"}:
            yield _failures(joined)
    for moment in drawn.moments:
        word = "came on unasked" if moment.kind == "unasked" else "went off by itself"
        yield f"{visible(moment.output)} {word} at {listed([seconds(each) for each in moment.time_s.tolist()])}."
    for shade in drawn.shades:
        spans = [f"{start:.3f} to {seconds(stop)}" for start, stop in zip(shade.from_s, shade.to_s, strict=True)]
        yield f"Shaded, {SHADES[shade.kind][0]}: {listed(spans)}."
    yield from _quantities(drawn)
    yield error_words(drawn)


def _quantities(drawn: DrawnRecording) -> Iterator[str]:
    """Say between what values currents, supply and load lay."""
    for current in drawn.currents:
        limit = f", limit {quantity(current.continuous_a, 'A')} continuous" if current.continuous_a is not None else ""
        peak = f", {quantity(current.peak_a, 'A')} peak" if current.peak_a is not None else ""
        yield f"Current of {visible(current.output)}: at most {quantity(current.series.greatest, 'A')}{limit}{peak}."
    if drawn.supply is not None:
        least = f"; planned minimum {quantity(drawn.supply.least_v, 'V')}" if drawn.supply.least_v is not None else ""
        low, high = drawn.supply.series.least, drawn.supply.series.greatest
        yield f"Supply of the controller: {quantity(low, 'V')} to {quantity(high, 'V')}{least}."
    for load in drawn.loads:
        low, high = load.series.least, load.series.greatest
        where = f" of {visible(load.channel)}" if len(drawn.loads) > 1 else ""
        yield f"Bus load{where} in windows of {load.window_s:g} s: {percent(low)} to {percent(high)}."


def error_words(drawn: DrawnRecording) -> str:
    """Say how many error episodes there were, or why nothing can be said."""
    if drawn.errors.total:
        times = [seconds(each) for each in drawn.errors.from_s.tolist()]
        return f"{count(drawn.errors.total, 'error episode')}, at {listed(times)}."
    if drawn.errors_recorded == "yes":
        return "No error episodes."
    return "No error episodes are in the recording, but it is not known to hold errors."


def _slowest(lane: StepLane, drawn: DrawnRecording) -> str:
    """Say how long an output took at the median and at most."""
    for each in drawn.latencies:
        if each.output == lane.name and not math.isnan(each.median_s):
            return f", median {short_time(each.median_s)}, slowest {short_time(each.greatest_s)}"
    return ""


def _failures(joined: Joins) -> str:
    word = "late" if joined.outcome == "late" else "not at all"
    times = listed([seconds(each) for each in joined.time_s.tolist()])
    return f"{visible(joined.output)} answered {word} when asked at {times}."
