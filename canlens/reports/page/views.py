"""Views: parts of a result as the templates of all pages show them, word by word."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import PurePath
from typing import TYPE_CHECKING, NamedTuple

from canlens.reports import phrases
from canlens.reports.phrases import as_read, cause_title
from canlens.reports.text_sections import error_frame_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from canlens.measures.picturing.quoting import Quote, QuotedValue
    from canlens.nouns.bus import RecordingResult
    from canlens.results.check import LinkState
    from canlens.results.finding import Cause, Finding
    from canlens.trace import Problem


DATED_FROM_S = 1e9
"""Stamps from here on count from 1970 and tell a date; smaller ones count from anything (9 September 2001)."""
DATED_TO_S = 4e9
LINES_SHOWN = 4
"""Line numbers named in one sentence; the table under it holds them all."""
LEADING = 6
"""Findings that are linked from the first screen."""
PROBLEMS_SHOWN = 50
NO_CAUSES = {
    "none-of-these": "None of the known causes explains it",
    "not-enough-evidence": "Too little was seen to name a cause",
}
KINDS = {"data": "", "remote": "remote, ", "error": "error frame"}


class Verdict(NamedTuple):
    """The verdict: its state as a sign, its word, its sentence."""

    state: LinkState
    word: str
    sentence: str

    @classmethod
    def of(cls, state: LinkState, sentence: str) -> Verdict:
        """Part a sentence such as ``FAILED – why.``."""
        word, _, rest = sentence.partition(" – ")
        return cls(state, word, rest[:1].upper() + rest[1:])


class Step(NamedTuple):
    """One line of the answer; ``share`` is a probability where there is one."""

    kind: str
    label: str
    text: str
    share: float | None = None
    odds: str = ""
    term: str = ""


class Moment(NamedTuple):
    """A time: seconds from the start, and the recorder's own stamp (empty where it is not known)."""

    seconds: str
    stamp: str


class Row(NamedTuple):
    """A row of a table, with remarks that stand under it."""

    cells: tuple[object, ...]
    remarks: tuple[str, ...] = ()


def moment(time_s: float | None, start_s: float | None) -> Moment | None:
    """Return a time both ways; None where there is none."""
    if time_s is None:
        return None
    return Moment(phrases.seconds(time_s), "" if start_s is None else f"{start_s + time_s:.3f}")


def date_words(start_s: float | None) -> str:
    """Say on which day a recording began, as far as its stamps tell.

    Examples
    --------
    >>> date_words(1760000000.034), date_words(12.5)
    ('2025-10-09 08:53:20 UTC', '')
    """
    if start_s is None or not DATED_FROM_S <= start_s <= DATED_TO_S:
        return ""
    return datetime.fromtimestamp(start_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def odds(probability: float) -> str:
    """Say a probability as the reports do."""
    return f"{probability * 100:.0f} %"


def _title(cause: Cause) -> str:
    """Say what is wrong; the two answers that are no fault have words of their own."""
    return NO_CAUSES.get(cause.cause) or cause_title(cause)


def likely_step(cause: Cause) -> Step:
    """Return the line of the answer that names the likely cause."""
    subject = f"{phrases.listed(cause.subject)}: " if cause.subject else ""
    text = phrases.sentence(f"{subject}{_title(cause)}")
    return Step("likely", "Most likely", text, cause.probability, odds(cause.probability), cause.cause)


def finding_views(
    findings: Sequence[Finding], quoted: Mapping[int, Sequence[Quote]], *, several: bool
) -> list[dict[str, object]]:
    """Return what the page shows of each finding, numbered as they stand."""
    return [
        {
            "number": number,
            "severity": each.severity,
            "word": phrases.SEVERITIES[each.severity],
            "safety": each.safety,
            "subject": phrases.listed(each.subject),
            "claim": each.claim,
            "check": each.check,
            "follows": _explained_by(each, findings),
            "rows": _finding_rows(each),
            "quotes": [quote_view(quote) for quote in quoted.get(number, ())],
            "seen": _seen(each, several=several),
            "is_open": each.severity == "failure" and not each.consequence_of,
        }
        for number, each in enumerate(findings, 1)
    ]


def _explained_by(finding: Finding, findings: Sequence[Finding]) -> int | None:
    """Return the number of the finding that explains this one; None where it stands by itself."""
    about = set(finding.subject)
    return next(
        (
            number
            for number, each in enumerate(findings, 1)
            if each.check == finding.consequence_of and about & set(each.subject)
        ),
        None,
    )


def _finding_rows(finding: Finding) -> list[tuple[str, str]]:
    rows = []
    if not finding.consequence_of:
        rows = [("Do next", finding.next_step), ("Caution", finding.caution)]
    return [*rows, ("Cannot tell", finding.cannot_tell), ("Goes away if", finding.would_change)]


def _seen(finding: Finding, *, several: bool) -> str:
    lines, times = finding.evidence.lines, finding.evidence.times_s
    if not lines and not times:
        return ""
    more = f" and {len(lines) - LINES_SHOWN} more" if len(lines) > LINES_SHOWN else ""
    shown = phrases.listed([str(line) for line in lines[:LINES_SHOWN]])
    where = f"{'line' if len(lines) == 1 else 'lines'} {shown}{more}" if lines else f"{phrases.seconds(times[0])} s"
    return f"recording {finding.evidence.recording + 1}, {where}" if several else where


def leading_views(findings: Sequence[Finding]) -> list[dict[str, object]]:
    """Return the findings that are linked from the first screen: those that no other one explains."""
    own: list[dict[str, object]] = [
        {
            "number": number,
            "word": phrases.SEVERITIES[each.severity],
            "subject": phrases.listed(each.subject) or each.check,
        }
        for number, each in enumerate(findings, 1)
        if not each.consequence_of
    ]
    return own[:LEADING]


def file_name(recording: RecordingResult) -> str:
    """Return the name of a recording without its folders."""
    named = {"-": "standard input", "": "a recording in memory"}
    return named.get(recording.file) or PurePath(recording.file).name


def recording_subtitle(recording: RecordingResult) -> str:
    """Say how much was recorded, and when."""
    date = date_words(recording.start)
    when = f", recorded {date}" if date else ""
    return f"{phrases.counted(recording.frames, 'frame')} in {phrases.seconds(recording.duration_s)} s{when}"


def quote_view(quote: Quote) -> dict[str, object]:
    """Return what the page shows of one frame."""
    is_error = quote.kind == "error"
    number = KINDS[quote.kind] if is_error else f"{KINDS[quote.kind]}0x{quote.identifier:x}"
    bits = ", 29 bits" if quote.is_extended and not is_error else ""
    where = f" on {quote.channel}" if quote.channel else ""
    wanted = [each for each in quote.values if each.is_wanted]
    shown = wanted or list(quote.values)
    more = quote.left_out + len(quote.values) - len(shown)
    told = [(_value(each), bool(wanted)) for each in shown]
    if is_error:
        told.append((quote.error, True))
    if more:
        told.append((f"{phrases.counted(more, 'other signal')} in it", False))
    return {
        "line": quote.line,
        "seconds": phrases.seconds(quote.time_s),
        "stamp": quote.stamp,
        "frame": f"{number}{bits}{where}",
        "message": " of ".join(each for each in (quote.message, quote.sender) if each),
        "payload": [(f"{byte:02X}", is_wanted) for byte, is_wanted in quote.payload],
        "said": [{"text": text, "is_wanted": is_wanted} for text, is_wanted in told],
    }


def _value(value: QuotedValue) -> str:
    """Say what a signal says; the raw value where it says something else."""
    said = value.text or f"{value.value:.6g}{' ' if value.unit else ''}{value.unit}"
    raw = "" if not value.text and f"{value.value:.6g}" == value.raw else f" (raw {value.raw})"
    return f"{value.signal} {said}{raw}"


def cause_views(causes: Sequence[Cause]) -> list[dict[str, object]]:
    """Return what the page shows of each cause, the likeliest first."""
    return [
        {
            "title": phrases.sentence(
                f"{phrases.listed(each.subject)}: {_title(each)}" if each.subject else _title(each)
            ),
            "cause": each.cause,
            "scope": each.scope,
            "share": each.probability,
            "odds": odds(each.probability),
            "rows": [
                ("Because", "; ".join(each.because)),
                ("Against", "; ".join(each.against)),
                ("Next test", each.next_test),
                ("Caution", each.caution),
            ],
        }
        for each in as_read(causes)
    ]


def recording_view(recording: RecordingResult, title: str = "") -> dict[str, object]:
    """Return how a recording was made and what of it could not be used."""
    start = "none" if recording.start is None else f"{phrases.seconds(recording.start)} s in the recorder's own clock"
    date = date_words(recording.start)
    return {
        "title": title,
        "rows": [
            ("file", {"-": "standard input", "": "in memory"}.get(recording.file, recording.file)),
            ("SHA-256", recording.sha256),
            ("format", recording.format),
            ("frames", f"{recording.frames} in {phrases.seconds(recording.duration_s)} s"),
            ("first stamp", f"{start}, {date}" if date else start),
            ("channels", phrases.listed(recording.channels) or "none named"),
            ("quality", "; ".join([recording.quality, *recording.quality_reasons])),
            ("error frames", error_frame_words(recording)),
            ("not usable", phrases.counted(recording.problem_count, "line")),
        ],
        "problems_title": "Lines of the recording that could not be used",
        "problems": _problem_rows(recording.problems),
        "database_title": "Entries of the database that could not be used",
        "database_problems": _problem_rows(recording.database_problems),
    }


def _problem_rows(problems: Sequence[Problem]) -> list[Row]:
    return [Row((each.line or "–", each.found, each.expected, each.count)) for each in problems[:PROBLEMS_SHOWN]]
