"""Facts: labelled rows that text and pages share, word by word – recording, load, errors, marks, causes, readings."""

from __future__ import annotations

import itertools
import math
from datetime import UTC, datetime
from pathlib import PurePath
from typing import TYPE_CHECKING

from canlens import wording
from canlens.discovery import place_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.nouns.bus import BusResult, ErrorLedger, RecordingResult
    from canlens.nouns.messages import MessageEvidence, QuietEvidence, Speaker
    from canlens.results.check import LatencyResult, RestResult
    from canlens.results.compare import ComparisonResult
    from canlens.results.discover import DiscoveryResult, Dropped, FieldRow, FoundPlace, MarksResult
    from canlens.results.finding import Cause, Finding
    from canlens.results.survey import SurveyBusResult, SurveyResult

Facts = list[tuple[str, str]]
"""Label and text; rows without text are left out where they are shown."""


# Findings and causes.


LINES_SHOWN = 8
"""Lines of the log named for one finding; the JSON holds all that were kept."""


def own_steps(finding: Finding) -> Facts:
    """Return what to do about a finding; nothing where another finding explains it, whose step comes first."""
    return [] if finding.consequence_of else [("Do next", finding.next_step), ("Caution", finding.caution)]


def seen_words(finding: Finding, *, several: bool) -> str:
    """Say where a finding was seen: lines of the log and times of the same frames; of which recording, if several."""
    evidence, parts = finding.evidence, []
    if evidence.lines:
        noun = "line" if len(evidence.lines) == 1 else "lines"
        parts.append(f"{noun} {wording.some(map(str, evidence.lines), most=LINES_SHOWN)}")
    if evidence.times_s:
        parts.append(f"at {wording.some(map(wording.seconds, evidence.times_s), most=LINES_SHOWN)} s")
    return f"{f'recording {evidence.recording + 1}: ' if several else ''}{'; '.join(parts)}" if parts else ""


def cause_facts(cause: Cause) -> Facts:
    """Return what speaks for and against a cause, and the test that tells."""
    return [
        ("Because", "; ".join(cause.because)),
        ("Against", "; ".join(cause.against)),
        ("Next test", cause.next_test),
        ("Caution", cause.caution),
    ]


# Recordings.


DATED_S = (1e9, 4e9)
"""Stamps between these count from 1970 and tell a date (from 9 September 2001); others count from anything [s]."""


def date_words(start_s: float | None) -> str:
    """Say on which day a recording began, as far as its stamps tell.

    Examples
    --------
    >>> date_words(1760000000.034), date_words(12.5)
    ('2025-10-09 08:53:20 UTC', '')
    """
    if start_s is None or not DATED_S[0] <= start_s <= DATED_S[1]:
        return ""
    return datetime.fromtimestamp(start_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def file_name(recording: RecordingResult) -> str:
    """Return the name of a recording without its folders."""
    named = {"-": "standard input", "": "a recording in memory"}
    return named.get(recording.file) or PurePath(recording.file).name


def recording_words(recording: RecordingResult) -> str:
    """Say how much was recorded, and when."""
    date = date_words(recording.start)
    when = f", recorded {date}" if date else ""
    return f"{wording.counted(recording.frames, 'frame')} in {wording.seconds(recording.duration_s)} s{when}"


def recording_facts(recording: RecordingResult) -> Facts:
    """Return how a recording was made and how much of it could be used."""
    start = "none" if recording.start is None else f"{wording.seconds(recording.start)} s in the recorder's own clock"
    return [
        ("file", {"-": "standard input", "": "in memory"}.get(recording.file, recording.file)),
        ("SHA-256", recording.sha256),
        ("format", recording.format),
        ("frames", f"{recording.frames} in {wording.seconds(recording.duration_s)} s"),
        ("first stamp", ", ".join(each for each in (start, date_words(recording.start)) if each)),
        ("channels", channel_words(recording)),
        ("quality", quality_words(recording)),
        ("error frames", error_frame_words(recording)),
        ("not usable", wording.counted(recording.problem_count, "line")),
    ]


def channel_words(recording: RecordingResult) -> str:
    """Name the channels of a recording."""
    return wording.listed(recording.channels) or "none named"


def quality_words(recording: RecordingResult) -> str:
    """Say how good a recording is, and why."""
    return "; ".join([recording.quality, *recording.quality_reasons])


def error_frame_words(recording: RecordingResult) -> str:
    """Say how many error frames were recorded; where none were, what that means."""
    told = wording.ERROR_FRAMES_RECORDED[recording.error_frames_recorded]
    if recording.error_frames:
        return f"{recording.error_frames}{f'; {told}' if recording.error_frames_recorded == 'no' else ''}"
    return told


# The bus: load, errors, sleep.


def load_sentence(bus: BusResult) -> str:
    """Say how full a bus was."""
    if bus.bit_rate is None:
        return "Unknown, since the bit rate is: write bit_rate under [bus] in the plan."
    return (
        f"{wording.percent(bus.bus_load)} over the whole recording, at most {wording.percent(bus.bus_load_peak)} in "
        f"{bus.window_s:g} s, at {bit_rate_words(bus)}."
    )


def bit_rate_words(bus: BusResult) -> str:
    """Say the bit rate, and how it is known."""
    if bus.bit_rate is None:
        return wording.UNKNOWN
    return f"{bus.bit_rate} bit/s, {wording.BIT_RATE_SOURCES[bus.bit_rate_source]}"


def unknown_load(bus: SurveyBusResult) -> str:
    """Say why the load of a surveyed bus is not known; empty where it is."""
    if bus.bit_rate is None:
        return wording.sentence(f"Unknown, since the bit rate is: give it with --bit-rate. Why: {bus.bit_rate_because}")
    return "Unknown, since the recording has no length." if bus.bus_load is None else ""


def load_facts(bus: SurveyBusResult) -> Facts:
    """Return how full a bus was in parts, what formulas would have said instead, and what else counts."""
    windows = ", ".join(
        f"{percent} % of them below {wording.percent(value)}" for percent, value in bus.percentiles.items()
    )
    formulas = bus.formulas and (
        f"would have said {wording.percent(bus.formulas.without_stuffing)} without stuff bits and "
        f"{wording.percent(bus.formulas.worst_case)} at the worst"
    )
    return [
        ("bit rate", bit_rate_words(bus)),
        ("parts", f"of {bus.window_s:g} s: {windows}; the fullest {wording.percent(bus.bus_load_peak)}"),
        ("counted", f"every stuff bit, and the {bus.intermission_bits} bits of intermission after each frame"),
        ("formulas", formulas or ""),
        ("with errors", _with_error_words(bus)),
        ("mind", bus.note),
    ]


def _with_error_words(bus: SurveyBusResult) -> str:
    """Say the load with the error frames in it; nothing where there are none."""
    found = bus.with_errors
    if found is None or found.greatest == bus.bus_load:
        return ""
    least, greatest = wording.percent(found.least), wording.percent(found.greatest)
    return (
        f"{least if least == greatest else f'{least} to {greatest}'}, each error frame counted with 14 to 20 bits "
        "and intermission; the destroyed frame before it is not in the recording"
    )


def error_facts(errors: ErrorLedger) -> Facts:
    """Return what a recording says of errors; not recorded is told apart from none."""
    if not errors.frames:
        return [("error frames", no_error_words(errors))]
    return [
        ("error frames", f"{errors.frames} in {wording.counted(len(errors.episodes), 'episode')}"),
        ("classes", class_words(errors.classes)),
        ("places in the frame", count_words(errors.places)),
        ("by sender", count_words({name: round(value, 1) for name, value in errors.by_sender.items()})),
    ]


def no_error_words(errors: ErrorLedger) -> str:
    """Say what it means that there is no error frame."""
    told = wording.capital(wording.ERROR_FRAMES_RECORDED[errors.recorded])
    return wording.sentence(f"{told}: {_inside(errors.recorded_because)}")


def _inside(sentence: str) -> str:
    """Return a sentence as it stands inside another one: its first word in small letters, unless it is a name.

    Examples
    --------
    >>> _inside("No error records."), _inside("CAN says so.")
    ('no error records.', 'CAN says so.')
    """
    second = sentence[1:2]
    return sentence[:1].lower() + sentence[1:] if second.islower() or second == " " else sentence


def class_words(classes: dict[str, int]) -> str:
    """Say how many error frames there were of each class."""
    return count_words({wording.ERROR_CLASSES[name]: number for name, number in classes.items()})


def count_words(counts: dict[str, int] | dict[str, float]) -> str:
    """Say counts by name, without those that are 0."""
    return ", ".join(f"{name} ({count:g})" for name, count in counts.items() if count)


def known_words(number: int | None) -> str:
    """Say a count that may not have been told."""
    return wording.NONE if number is None else str(number)


def identifier_rows(result: SurveyResult) -> list[tuple[tuple[str, ...], list[str]]]:
    """Return ten cells for each identifier, by channel, length and number, and what is odd of it.

    They are identifier, message, sender, frames, median and longest interval and declared cycle [ms], how it is sent,
    bytes and load.
    """
    several = len({each.channel for each in result.identifiers}) > 1
    rows: list[tuple[tuple[str, ...], list[str]]] = []
    for each in sorted(result.identifiers, key=lambda each: (each.channel, each.is_extended, each.identifier)):
        cells = (
            f"{each.channel} {each.number}" if several else each.number,
            each.message_name or wording.NONE,
            each.sender or wording.NONE,
            str(each.frames),
            wording.milliseconds(each.interval.median if each.interval else None),
            wording.milliseconds(each.interval.max if each.interval else None),
            wording.milliseconds(each.declared_s),
            "remote" if each.is_remote else wording.MESSAGE_KINDS[each.kind],
            str(each.lengths.usual),
            wording.NONE if each.bus_load is None else wording.percent(each.bus_load),
        )
        rows.append((cells, _identifier_remarks(each)))
    return rows


def _identifier_remarks(each: MessageEvidence) -> list[str]:
    """Return what is odd of an identifier; nothing where all is usual."""
    told = []
    if len(each.gaps.seen):
        gaps, missed = wording.counted(len(each.gaps.seen), "gap"), wording.counted(each.gaps.missed, "frame")
        told.append(f"{gaps}, {missed} missing")
    if each.stopped_s is not None:
        told.append(f"stopped at {wording.seconds(each.stopped_s)} s")
    if each.started_s is not None:
        told.append(f"began at {wording.seconds(each.started_s)} s")
    if each.counter and (len(each.counter.skipped) or len(each.counter.repeated)):
        skipped, stood = (
            wording.counted(len(steps), "time") for steps in (each.counter.skipped, each.counter.repeated)
        )
        told.append(f"its counter skipped {skipped}, stood still {stood}")
    if len(each.lengths.counts) > 1:
        told.append(f"payload lengths {', '.join(map(str, each.lengths.counts))}")
    if each.two_senders:
        told.append("two senders")
    return [wording.sentence("; ".join(told))] if told else []


COUNTERS = {
    "stood": "their counters went on by one, as if no time had passed",
    "ran": "their counters went on meanwhile, so frames were sent and not recorded",
    "unknown": "no counter tells what happened",
}


def sleep_sentences(quiet: QuietEvidence) -> list[str]:
    """Say when the bus was awake: who spoke last, then each wake and each moment in which all messages stayed away."""
    if quiet.last is None:
        return ["Nothing was heard."]
    told = [f"Last frame at {wording.seconds(quiet.last_frame_s)} s, from {_speaker_words(quiet.last)}."]
    if not quiet.wakes:
        told.append("The bus was awake all the time.")
    told += [
        f"Silent from {wording.seconds(wake.silent_from_s)} s; woken at {wording.seconds(wake.first.time_s)} s by "
        f"{_speaker_words(wake.first)} (line {wake.first.line})."
        for wake in quiet.wakes
    ]
    return told + [
        f"All messages stayed away from {wording.seconds(stop.from_s)} s to {wording.seconds(stop.to_s)} s "
        f"(line {stop.line}): {COUNTERS[stop.counters]}."
        for stop in quiet.stops
    ]


def _speaker_words(speaker: Speaker) -> str:
    """Say who sent a frame."""
    name = f"{speaker.message} ({speaker.number})" if speaker.message else speaker.number
    return f"{name}, {speaker.sender}" if speaker.sender else name


def rest_facts(quiet: RestResult | None) -> Facts:
    """Say how the bus fell asleep after the control that keeps it awake; nothing where that was not seen."""
    if quiet is None or quiet.off_s is None or quiet.last_frame_s is None:
        return []
    change = "none seen" if quiet.last_change_s is None else _after_words(quiet.last_change_s, quiet.off_s)
    last = f"{_after_words(quiet.last_frame_s, quiet.off_s)}, {quiet.last_message}"
    return [
        ("waking control off", f"at {wording.seconds(quiet.off_s)} s"),
        ("last change of an output", change),
        ("last frame", f"{last} of {quiet.last_sender}" if quiet.last_sender else last),
        ("allowed", "" if quiet.allowed_s is None else f"frames for {quiet.allowed_s:g} s after it"),
    ]


def _after_words(time_s: float, off_s: float) -> str:
    """Say a time by what it lies before or after another one."""
    return f"{wording.seconds(abs(time_s - off_s))} s {'before' if time_s < off_s else 'after'} it"


# Outputs and meter readings.


def latency_words(latency: LatencyResult) -> str:
    """Say median and longest latency in ms, without the unit."""
    return f"{wording.milliseconds(latency.median)} / {wording.milliseconds(latency.max)}"


def reading_words(value: float, unit: str) -> str:
    """Say what a meter read."""
    return f"{value:g} {unit}" if math.isfinite(value) else "open line"


def limit_words(limit: tuple[float, float] | None, unit: str) -> str:
    """Say between what a reading must lie."""
    if limit is None:
        return wording.NONE
    low, high = limit
    return f"{low:g} to {high:g} {unit}" if math.isfinite(high) else f"{low:g} {unit} or more"


# Comparisons.


def change_chance(chance: float) -> str:
    """Say how often chance alone would show as large a change."""
    return f"by chance {wording.chance_words(chance, of='tries', least=1e-4)}"


def compared_facts(result: ComparisonResult) -> Facts:
    """Return both recordings, and the states of the bus in which they were compared."""
    facts = [
        (when, f"{file_name(each)}, {recording_words(each)}, {each.quality}")
        for when, each in (("before", result.before), ("after", result.after))
    ]
    for each in result.aligned:
        names = " / ".join(dict.fromkeys((each.channel_before, each.channel_after)))
        told = f"compared {wording.AWAKE[each.state]}: {each.before_s:.0f} s before, {each.after_s:.0f} s after"
        facts.append((names, told))
    return facts


def not_compared(result: ComparisonResult) -> Facts:
    """Return what was not compared and why, and what it would take; said once, at the last of several in a row."""
    needed = [wording.sentence(each.needed) for each in result.not_compared]
    return [
        (wording.sentence(f"{wording.capital(each.what)}: {each.why}"), "" if own == behind else own)
        for each, own, behind in itertools.zip_longest(result.not_compared, needed, needed[1:])
    ]


# Discoveries.


CANDIDATES_SHOWN = 3
MIRRORS_SHOWN = 6
FIELDS_SHOWN = 8


def candidate_remarks(each: FoundPlace) -> list[str]:
    """Say what else is known of a place: its names, its mirrors, the test by shifts."""
    told = []
    if each.known is not None:
        told.append(f"The database knows these bits as {each.known}.")
    elif each.message is not None:
        told.append(f"In message {each.message}; the database has no signal there.")
    if each.mirrors:
        mirrors = wording.some(map(place_words, each.mirrors), most=MIRRORS_SHOWN, joint="; ")
        told.append(f"The same in every slot: {mirrors}.")
    if each.shift_chance is not None:
        told.append(
            f"By the chance model alone {wording.chance_words(each.chance)}; shifted against the recording, all marks "
            f"fit as well in {wording.percent(each.shift_chance)} of tries."
        )
    return told


def marks_facts(result: DiscoveryResult) -> Facts:
    """Return how the marks lie against the log, and what was searched."""
    marks = result.marks
    return [
        ("marks", f"{wording.counted(marks.exercises, 'exercise')}, {wording.counted(marks.rests, 'slot')} left alone"),
        ("outside", f"{wording.counted(marks.outside, 'mark')} outside the recording" if marks.outside else ""),
        ("clocks", _clocks(marks)),
        ("searched", f"{result.bits_changing} bits that change, {result.places_tried} places and values"),
    ]


def _clocks(marks: MarksResult) -> str:
    """Say how the marks lie against the log."""
    read = "the log's own stamps" if marks.counted_from == "stamps" else "seconds from the first frame"
    if marks.offset_source == "as-written":
        how = f"marks were taken as written, as {read}"
    else:
        sure = f" ± {marks.offset_uncertainty_s:.2f} s" if marks.offset_uncertainty_s is not None else ""
        how = f"marks, read as {read}, must be moved by {marks.offset_s:+.2f} s{sure} to meet what follows them"
    return f"{how}; single marks lie off by about {marks.scatter_s:.2f} s" if marks.scatter_s is not None else how


def dropped_facts(dropped: Dropped | None) -> Facts:
    """Return the fields that change all the time by themselves, by kind."""
    kinds = ("counters", "checksums", "clocks", "toggles") if dropped is not None else ()
    return [(kind, _fields(getattr(dropped, kind))) for kind in kinds]


def _fields(found: Sequence[FieldRow]) -> str:
    told = (f"{each.identifier} from bit {each.start_bit}, {each.length} bits" for each in found)
    return wording.some(told, most=FIELDS_SHOWN, joint="; ")
