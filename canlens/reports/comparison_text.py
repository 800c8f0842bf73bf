"""Text of a comparison: what changed between two recordings, the answer first."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from canlens.reports import phrases
from canlens.reports.layout import Page
from canlens.reports.phrases import likely_cause, likely_words
from canlens.reports.text_sections import add_causes, add_cautions

if TYPE_CHECKING:
    from canlens.nouns.bus import RecordingResult
    from canlens.results.compare import Change, CompareVerdict, ComparisonResult


VERDICTS: dict[CompareVerdict, str] = {
    "no-change-seen": "NO CHANGE SEEN",
    "changed": "CHANGED",
    "better": "BETTER",
    "worse": "WORSE",
    "not-comparable": "NOT COMPARABLE",
}
CHANGES_SHOWN = 40
"""Changes that are printed; the JSON holds all."""
STATES = {
    "on": "while the control that keeps the bus awake was on",
    "off": "while the control that keeps the bus awake was off",
    "awake": "while the bus was awake",
}


def comparison_text(result: ComparisonResult, *, encoding: str = "utf-8") -> str:
    """Write the result of a comparison as plain text.

    Parameters
    ----------
    result
        What was found.
    encoding
        What the console can show; signs it lacks are replaced before the lines are wrapped.

    Returns
    -------
    str
        Lines of at most 80 columns with a newline at the end: the verdict, the changes, the weightiest first, what
        could not be compared and what it would take.
    """
    page = Page(encoding)
    page.paragraph(f"{VERDICTS[result.verdict]} – {result.sentence}")
    if result.verdict == "no-change-seen":
        page.paragraph("What could not be compared stands below; what no recording shows, measure.")
    cause = likely_cause(result.causes)
    if cause is not None:
        page.paragraph(phrases.sentence(likely_words(cause)), first="Most likely:", indent=2)
        page.paragraph(phrases.sentence(cause.next_test), first="Do next:", indent=2)
        if cause.caution:
            page.paragraph(cause.caution, first="Caution:", indent=2)
    elif step := step_without_cause(result):
        page.paragraph(step, first="Do next:", indent=2)
    _add_changes(page, "CHANGES, the weightiest first", [each for each in result.changes if not each.explained_by])
    _add_changes(page, "CHANGES THAT ARE EXPLAINED", [each for each in result.changes if each.explained_by])
    add_causes(page, result.causes)
    _add_not_compared(page, result)
    page.heading("RECORDINGS")
    compared = [
        (
            " / ".join(dict.fromkeys((each.channel_before, each.channel_after))),
            f"compared {STATES[each.state]}: {each.before_s:.0f} s before, {each.after_s:.0f} s after",
        )
        for each in result.aligned
    ]
    page.facts([("before", _recording(result.before)), ("after", _recording(result.after)), *compared], indent=2)
    add_cautions(page, phrases.BUS_CAUTIONS)
    return page.text()


def step_without_cause(result: ComparisonResult) -> str:
    """Say what to do where no cause is likely; nothing where all that changed is for the better."""
    if any(not each.explained_by for each in result.changes):
        undo = "Undo the last change of the wiring if you can, record again and compare."
        return "" if result.verdict == "better" else undo
    return phrases.sentence(next((each.needed for each in result.not_compared if each.needed), ""))


def needed_words(result: ComparisonResult) -> list[str]:
    """Say what each thing that was not compared would take; what several in a row need stands at the last of them."""
    needed = [phrases.sentence(each.needed) for each in result.not_compared]
    return ["" if each == behind else each for each, behind in itertools.zip_longest(needed, needed[1:])]


def _add_changes(page: Page, title: str, changes: list[Change]) -> None:
    if not changes:
        return
    page.heading(title)
    for number, each in enumerate(changes[:CHANGES_SHOWN], 1):
        told = [DIRECTIONS[each.direction]] if not each.explained_by else [f"Explained by {each.explained_by}"]
        if each.p is not None:
            told.append(f"by chance {chance_words(each.p)}")
        line = "; ".join(part for part in told if part)
        sentences = [
            phrases.sentence(each.sentence),
            *([phrases.sentence(line[:1].upper() + line[1:])] if line else []),
        ]
        page.paragraph(" ".join(sentences), first=f"{number}.", indent=4)
    if len(changes) > CHANGES_SHOWN:
        page.paragraph(f"and {len(changes) - CHANGES_SHOWN} more; --json FILE holds all.", indent=4)


DIRECTIONS = {"better": "better", "worse": "worse", "neither": ""}


def chance_words(chance: float) -> str:
    """Say how often chance alone would show as much.

    Examples
    --------
    >>> chance_words(0.0078125), chance_words(1e-6)
    ('once in 128 times', 'less than once in 10000 times')
    """
    return "less than once in 10000 times" if chance < 1e-4 else f"once in {1 / chance:.0f} times"  # noqa: PLR2004


def _add_not_compared(page: Page, result: ComparisonResult) -> None:
    page.heading("NOT COMPARED")
    if not result.not_compared:
        page.paragraph("Everything that can be compared was.")
    for each, needed in zip(result.not_compared, needed_words(result), strict=True):
        page.paragraph(phrases.sentence(f"{each.what[:1].upper()}{each.what[1:]}: {each.why}"), first="*", indent=2)
        if needed:
            page.paragraph(needed, first="  Needed:", indent=4)


def _recording(recording: RecordingResult) -> str:
    return (
        f"{recording.file or 'in memory'}, {recording.duration_s:.1f} s, {phrases.counted(recording.frames, 'frame')}, "
        f"{recording.quality}"
    )
