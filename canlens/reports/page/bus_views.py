"""Bus views: load, errors, intervals, sleep and meter readings of a job as a page shows them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.reports import words
from canlens.reports.page.views import Row
from canlens.reports.sleep_sections import rest_facts
from canlens.reports.survey_sections import count_words, short_milliseconds
from canlens.reports.text_sections import error_frame_words, load_sentence

if TYPE_CHECKING:
    from canlens.bus_evidence import BusEvidence, JudgedReading
    from canlens.message_evidence import MessageEvidence
    from canlens.results import CheckResult

INTERVAL_HEADINGS = (
    "message",
    "identifier",
    "frames",
    "declared, ms",
    "interval median, ms",
    "longest, ms",
    "how it is sent",
    "gaps",
)
READING_HEADINGS = ("reading", "value", "limit", "source of the limit", "state", "what it means")
STATES = {"fits": "inside", "odd": "outside", "ask": "cannot be told"}
KINDS = {
    "cyclic": "on a beat",
    "mixed": "on a beat and on a change",
    "event-driven": "on a change",
    "too-few": "too few",
}


def bus_facts(result: CheckResult, evidence: BusEvidence) -> list[tuple[str, str]]:
    """Return the bus in a few lines: load, errors, quality, sleep."""
    buses = result.buses if len(result.buses) > 1 else {"": result.bus}
    last = result.recordings[-1]
    facts = [(f"bus load {name}".strip(), load_sentence(bus)) for name, bus in buses.items()]
    facts += [
        ("error frames", error_frame_words(last)),
        ("why so", evidence.errors.recorded_because if evidence.errors and not evidence.errors.frames else ""),
        ("error classes", count_words(evidence.errors.classes) if evidence.errors else ""),
        ("error episodes", _episodes(evidence)),
        ("whom they point at", evidence.attribution.sentence if evidence.attribution else ""),
        ("quality", "; ".join([last.quality, *last.quality_reasons])),
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
    return Row(
        (
            each.name,
            f"0x{each.identifier:x}",
            each.frames,
            short_milliseconds(each.declared_s),
            short_milliseconds(interval.median if interval else None),
            short_milliseconds(interval.max if interval else None),
            KINDS[each.kind],
            f"{len(each.gaps.seen)}, {words.counted(each.gaps.missed, 'frame')} missing"
            if len(each.gaps.seen)
            else "none",
        )
    )


def reading_rows(evidence: BusEvidence) -> list[Row]:
    """Return the meter's readings against their limits."""
    return [
        Row(
            (
                each.name,
                f"{each.value:g} {each.unit}" if math.isfinite(each.value) else "open line",
                _limit(each),
                each.source + (f"; {each.disagreement}" if each.disagreement else ""),
                STATES[each.state],
                each.meaning,
            )
        )
        for each in evidence.readings
    ]


def _limit(reading: JudgedReading) -> str:
    if reading.limit is None:
        return "–"
    low, high = reading.limit
    return f"{low:g} to {high:g} {reading.unit}" if math.isfinite(high) else f"{low:g} {reading.unit} or more"
