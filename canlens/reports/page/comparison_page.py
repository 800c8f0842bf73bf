"""A comparison of two recordings as a page: what changed first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.reports import phrases
from canlens.reports.comparison_text import DIRECTIONS, STATES, VERDICTS, chance_words, needed_words, step_without_cause
from canlens.reports.page.assembling import assembled
from canlens.reports.page.views import Step, Verdict, cause_views, date_words, file_name, likely_step, recording_view
from canlens.reports.phrases import likely_cause
from canlens.reports.pictures import comparison_pictures

if TYPE_CHECKING:
    from canlens.comparison import Comparison
    from canlens.nouns.bus import RecordingResult
    from canlens.results.check import LinkState
    from canlens.results.compare import Change, CompareVerdict, ComparisonResult


SIGNS: dict[CompareVerdict, LinkState] = {
    "no-change-seen": "seen",
    "changed": "broken",
    "better": "seen",
    "worse": "broken",
    "not-comparable": "cannot-tell",
}
SECTIONS = (
    ("answer", "The answer"),
    ("findings", "Changes"),
    ("timeline", "Before and after"),
    ("untested", "Not compared"),
    ("causes", "Causes"),
    ("recording", "Recordings"),
    ("cautions", "Cautions"),
)


def comparison_page(comparison: Comparison) -> str:
    """Write a comparison as one HTML file."""
    result = comparison.result
    return assembled(
        "comparison.html",
        comparison_pictures(comparison),
        kind="Before and after a change of the wiring",
        title=f"{file_name(result.before)} and {file_name(result.after)}",
        subtitle="",
        sections=[each for each in SECTIONS if each[0] != "causes" or result.causes],
        verdict=Verdict(SIGNS[result.verdict], VERDICTS[result.verdict], result.sentence),
        lead=_lead(result),
        steps=_steps(result),
        short=_short(result),
        changes=[_change(number, each) for number, each in enumerate(result.changes, 1)],
        not_compared=[
            {"what": phrases.sentence(_capital(f"{each.what}: {each.why}")), "needed": needed}
            for each, needed in zip(result.not_compared, needed_words(result), strict=True)
        ],
        causes=cause_views(result.causes),
        recordings=[recording_view(result.before, "Before"), recording_view(result.after, "After")],
        cautions=phrases.BUS_CAUTIONS,
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lead(result: ComparisonResult) -> str:
    """Say what weighs most; where nothing changed, what that does not cover."""
    open_changes = [each for each in result.changes if not each.explained_by]
    if open_changes:
        return phrases.sentence(open_changes[0].sentence)
    if result.verdict == "not-comparable":
        return ""
    return "What could not be compared stands below; what no recording shows, measure."


def _steps(result: ComparisonResult) -> list[Step]:
    """Return the likely cause and what to do; where nothing could be compared, what it would take."""
    likely = likely_cause(result.causes)
    if likely is not None:
        steps = [likely_step(likely), Step("next", "Do next", phrases.sentence(likely.next_test))]
        return [*steps, Step("caution", "Caution", likely.caution)] if likely.caution else steps
    step = step_without_cause(result)
    return [Step("next", "Do next", step)] if step else []


def _short(result: ComparisonResult) -> list[tuple[str, str]]:
    """Return both recordings and the state of the bus in which they were compared."""
    facts = [("before", _recording(result.before)), ("after", _recording(result.after))]
    for each in result.aligned:
        names = " / ".join(dict.fromkeys((each.channel_before, each.channel_after)))
        told = f"compared {STATES[each.state]}: {each.before_s:.0f} s before, {each.after_s:.0f} s after"
        facts.append((names, told))
    return facts


def _recording(recording: RecordingResult) -> str:
    date = date_words(recording.start)
    frames = phrases.counted(recording.frames, "frame")
    told = f"{file_name(recording)}, {phrases.seconds(recording.duration_s)} s, {frames}, {recording.quality}"
    return f"{told}{f', recorded {date}' if date else ''}"


def _change(number: int, change: Change) -> dict[str, object]:
    """Return one change."""
    chance = "" if change.p is None else f"by chance {chance_words(change.p)}"
    explained = f"explained by {change.explained_by}" if change.explained_by else ""
    told = "; ".join(each for each in (explained, chance, f"measured: {change.quantity}", change.change) if each)
    return {
        "number": number,
        "kind": change.change.replace("-", " "),
        "direction": "explained" if change.explained_by else change.direction,
        "word": "explained" if change.explained_by else DIRECTIONS[change.direction] or "changed",
        "subject": phrases.listed(change.subject),
        "sentence": phrases.sentence(change.sentence),
        "chance": _capital(told),
        "before": _value(change.before, change.unit),
        "after": _value(change.after, change.unit),
        "size": _size(change),
    }


def _value(value: float | str | None, unit: str) -> str:
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    if unit == "ratio":
        return phrases.percent(value)
    if unit == "s" and abs(value) < 1:
        return f"{value * 1000:.3g} ms"
    return f"{value:.4g} {unit}".strip()


def _size(change: Change) -> str:
    if change.size is None:
        return ""
    return f"{change.size:g} bits" if change.change == "payload-bits" else f"{change.size * 100:+.3g} %"
