"""Views: parts of a result as the templates of all pages show them, word by word."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens import wording
from canlens.reports.facts import cause_facts, own_steps, recording_facts, seen_words
from canlens.reports.phrases import as_read, cause_words

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    from canlens.nouns.bus import RecordingResult
    from canlens.nouns.pictures import Quote, QuotedValue
    from canlens.reports.headlines import Answer
    from canlens.results.finding import Cause, Finding
    from canlens.trace import Problem


LEADING = 6
"""Findings that are linked from the first screen."""
PROBLEMS_SHOWN = 50
KINDS = {"data": "", "remote": "remote, ", "error": "error frame"}


def answer_view(answer: Answer) -> dict[str, object]:
    """Return the first screen of a page."""
    verdict = answer._replace(sentence=wording.capital(answer.sentence))
    return {"verdict": verdict, "lead": answer.lead, "steps": answer.steps}


RHYTHM_HEADINGS = ("interval median, ms", "longest, ms", "declared, ms", "how it is sent")


class Row(NamedTuple):
    """A row of a table, with remarks that stand under it."""

    cells: tuple[object, ...]
    remarks: tuple[str, ...] = ()

    @classmethod
    def of(cls, *cells: object) -> Row:
        """Return a row without remarks."""
        return cls(cells)


SECTIONS = {
    "answer": "The answer",
    "chain": "Chains",
    "timeline": "Time line",
    "table": "Controls × outputs",
    "bus": "The bus",
    "load": "Load",
    "errors": "Errors",
    "identifiers": "Identifiers",
    "sleep": "Awake and asleep",
    "marks": "Marks",
    "untested": "Not tested",
    "recording": "Recording",
    "causes": "Causes",
    "findings": "Findings",
    "cautions": "Cautions",
}
"""Anchors of the sections of all pages, and what the links to them say."""


def section_links(anchors: str, *, causes: Sequence[Cause] = (), **own: str) -> list[tuple[str, str]]:
    """Return the links to the sections of a page, in order; ``own`` are words of this page alone."""
    labels = {**SECTIONS, **own}
    return [(anchor, labels[anchor]) for anchor in anchors.split() if anchor != "causes" or causes]


def finding_views(
    findings: Sequence[Finding], quoted: Mapping[Hashable, Sequence[Quote]], *, several: bool
) -> list[dict[str, object]]:
    """Return what the page shows of each finding, numbered as they stand."""
    return [
        {
            "number": number,
            "severity": each.severity,
            "word": wording.SEVERITIES[each.severity],
            "safety": each.safety,
            "subject": wording.listed(each.subject),
            "claim": each.claim,
            "check": each.check,
            "follows": _explained_by(each, findings),
            "rows": _finding_rows(each),
            "quotes": [quote_view(quote) for quote in quoted.get(each, ())],
            "seen": seen_words(each, several=several),
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
    return [*own_steps(finding), ("Cannot tell", finding.cannot_tell), ("Goes away if", finding.would_change)]


def leading_views(findings: Sequence[Finding]) -> list[dict[str, object]]:
    """Return the findings that are linked from the first screen: those that no other one explains."""
    own: list[dict[str, object]] = [
        {
            "number": number,
            "word": wording.SEVERITIES[each.severity],
            "subject": wording.listed(each.subject) or each.check,
        }
        for number, each in enumerate(findings, 1)
        if not each.consequence_of
    ]
    return own[:LEADING]


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
        told.append((f"{wording.counted(more, 'other signal')} in it", False))
    return {
        "line": quote.line,
        "seconds": wording.seconds(quote.time_s),
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
            "title": cause_words(each),
            "cause": each.cause,
            "scope": each.scope,
            "share": each.probability,
            "odds": wording.likelihood(each.probability),
            "rows": cause_facts(each),
        }
        for each in as_read(causes)
    ]


def recording_view(recording: RecordingResult, title: str = "") -> dict[str, object]:
    """Return how a recording was made and what of it could not be used."""
    return {
        "title": title,
        "rows": recording_facts(recording),
        "problems_title": "Lines of the recording that could not be used",
        "problems": _problem_rows(recording.problems),
        "database_title": "Entries of the database that could not be used",
        "database_problems": _problem_rows(recording.database_problems),
    }


def _problem_rows(problems: Sequence[Problem]) -> list[Row]:
    return [Row.of(each.line or "–", each.found, each.expected, each.count) for each in problems[:PROBLEMS_SHOWN]]
