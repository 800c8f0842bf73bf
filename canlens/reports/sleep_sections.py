"""Sections about sleep: when the bus was awake, who woke it, and how it fell asleep after the vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import words

if TYPE_CHECKING:
    from canlens.reports.layout import Page
    from canlens.results import RestResult
    from canlens.survey_results import QuietResult, SpeakerResult

WAKES_SHOWN = 10
"""Sentences that are printed; the JSON holds all."""
COUNTERS = {
    "stood": "their counters went on by one, as if no time had passed",
    "ran": "their counters went on meanwhile, so frames were sent and not recorded",
    "unknown": "no counter tells what happened",
}


def add_sleep(page: Page, quiet: QuietResult) -> None:
    """Add when the bus was awake, who spoke last and who woke it."""
    page.heading("AWAKE AND ASLEEP")
    head, *rest = sleep_sentences(quiet)
    page.paragraph(head)
    if quiet.last is not None and not quiet.wakes:
        page.paragraph(rest.pop(0))
    for each in rest[:WAKES_SHOWN]:
        page.paragraph(each, first="*", indent=2)
    if len(rest) > WAKES_SHOWN:
        page.paragraph(f"and {len(rest) - WAKES_SHOWN} more; --json FILE holds all.", indent=2)


def sleep_sentences(quiet: QuietResult) -> list[str]:
    """Say when the bus was awake: who spoke last, then each wake and each moment in which all messages stayed away."""
    if quiet.last is None:
        return ["Nothing was heard."]
    told = [f"Last frame at {words.seconds(quiet.last_frame_s)} s, from {speaker_words(quiet.last)}."]
    if not quiet.wakes:
        told.append("The bus was awake all the time.")
    told += [
        f"Silent from {words.seconds(wake.silent_from_s)} s; woken at {words.seconds(wake.time_s)} s by "
        f"{speaker_words(wake.first)} (line {wake.first.line})."
        for wake in quiet.wakes
    ]
    return told + [
        f"All messages stayed away from {words.seconds(stop.from_s)} s to {words.seconds(stop.to_s)} s "
        f"(line {stop.line}): {COUNTERS[stop.counters]}."
        for stop in quiet.stops
    ]


def add_rest(page: Page, quiet: RestResult | None) -> None:
    """Add how the bus fell asleep after the control that keeps it awake; nothing where that was not seen."""
    facts = rest_facts(quiet)
    if facts:
        page.heading("AWAKE AND ASLEEP")
        page.facts(facts)


def rest_facts(quiet: RestResult | None) -> list[tuple[str, str]]:
    """Say how the bus fell asleep after the control that keeps it awake; nothing where that was not seen."""
    if quiet is None or quiet.off_s is None or quiet.last_frame_s is None:
        return []
    change = "none seen" if quiet.last_change_s is None else after_words(quiet.last_change_s, quiet.off_s)
    last = f"{after_words(quiet.last_frame_s, quiet.off_s)}, {quiet.last_message}"
    return [
        ("waking control off", f"at {words.seconds(quiet.off_s)} s"),
        ("last change of an output", change),
        ("last frame", f"{last} of {quiet.last_sender}" if quiet.last_sender else last),
        ("allowed", "" if quiet.allowed_s is None else f"frames for {quiet.allowed_s:g} s after it"),
    ]


def after_words(time_s: float, off_s: float) -> str:
    """Say a time by what it lies before or after another one."""
    if time_s < off_s:
        return f"{words.seconds(off_s - time_s)} s before it"
    return f"{words.seconds(time_s - off_s)} s after it"


def speaker_words(speaker: SpeakerResult) -> str:
    """Say who sent a frame."""
    name = f"{speaker.message} ({speaker.identifier})" if speaker.message else speaker.identifier
    return f"{name}, {speaker.sender}" if speaker.sender else name
