"""A result, its plan and the job details → the customer's page as HTML that prints on one sheet."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from pathlib import PurePath
from typing import TYPE_CHECKING, NamedTuple

from canlens import wording
from canlens.reports.headlines import verdict_sentence
from canlens.reports.layout import visible
from canlens.reports.page.assembling import page_environment
from canlens.reports.phrases import NEVER_SHOWN, plain_name, planned_words, rule_words
from canlens.results.form import version

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.job import JobDetails, PartShape
    from canlens.plan import Output, Plan
    from canlens.results.check import CheckResult, OutputResult, Verdict


# Normal behaviour: what whoever uses the vehicle might take for a fault.


def normal_behaviour(plan: Plan, details: JobDetails | None) -> list[str]:
    """Return what was explained, and what the plan says of timers, dimming and flashing, a sentence each."""
    told = list(details.explained) if details else []
    for name, output in plan.outputs.items():
        who = plain_name(name)
        if output.run_on_s:
            told.append(f"{who} stays on {output.run_on_s:g} s longer.")
        if output.cut_after_s:
            told.append(f"{who} goes off by itself after {output.cut_after_s:g} s.")
        if output.level_night is not None and output.night:
            told.append(f"{who} is dimmed while {plain_name(output.night)} is on.")
        if output.flash_when is not None:
            told.append(f"{who} flashes while {rule_words(output.flash_when)}.")
    return told


# Fitting: how big the letters of the customer sheet may be, so that all of it stands on one printed page.
#
# A page prints without a script that could measure, so the height is estimated from the lengths of the texts, with the
# widths of a broad typeface; a narrower one leaves some room at the foot of the page.


POINTS_PER_MM = 72 / 25.4
MARGIN_MM = (11.0, 12.0)
"""Above and below, left and right; as in the style of the sheet."""
WIDTH = (210.0 - 2 * MARGIN_MM[1]) * POINTS_PER_MM
"""Room for the text [pt]: as narrow as A4 (ISO 216)."""
HEIGHT = (279.4 - 2 * MARGIN_MM[0]) * POINTS_PER_MM
"""And as low as Letter (ANSI/ASME Y14.1)."""
SPARE = 0.98
"""Share of the height that may be filled; the estimate is not exact."""
LETTER, BOLD = 0.57, 0.65
"""Mean width of a letter of a broad typeface, as a share of its size (measured on DejaVu Sans)."""
LINE = 1.25
COLUMNS = (0.25, 0.34, 0.41)
"""Shares of the table's columns, as in the style of the sheet."""
SMALL = 0.83
"""Size of the small print in a table."""


@dataclass(frozen=True)
class Texts:
    """The texts of a sheet, from the top down.

    Attributes
    ----------
    title, verdict, footer
        As they stand on it.
    facts
        Label and value of each detail.
    rows
        Of each output: its name, the small print under it, what is planned, what was seen.
    left, right
        The points under the table, side by side; the headings of the right side count as points.
    """

    title: str
    verdict: str
    footer: str
    facts: Sequence[tuple[str, str]]
    rows: Sequence[tuple[str, Sequence[str], str, str]]
    left: Sequence[str]
    right: Sequence[str]


def height(texts: Texts, points: float) -> float:
    """Estimate how high a sheet becomes with letters of a size [pt]."""
    wide = WIDTH / points  # in letters' heights, as all that follows
    told = _lines(texts.title, wide / 1.45, BOLD) * 1.45 * 1.15
    told += _lines(texts.verdict, wide / 1.15 - 1.2, BOLD) * 1.15 * LINE + 1.2
    told += (_flowing(texts.facts, wide) * LINE + 0.6) if texts.facts else 0.0
    told += _heading() + LINE + 0.6
    told += sum(_row_height(row, wide) for row in texts.rows)
    half = (wide - 1.6) / 2 - 1.1
    told += max(_points(texts.left, half), _points(texts.right, half) + _heading()) + _heading()
    told += 3.2 + LINE * _lines("Explained to me and received, date", (wide - 2.8) / 3)
    told += 0.7 + _lines(texts.footer, wide / 0.82) * 0.82 * LINE
    return told * points


def fits(texts: Texts, points: float) -> bool:
    """Return whether the sheet stands on one page with letters of a size [pt]."""
    return height(texts, points) <= SPARE * HEIGHT


def _heading() -> float:
    return LINE + 1.1


def _lines(text: str, wide: float, letter: float = LETTER) -> int:
    """Estimate the lines of a text; a word that does not fit any more leaves some of a line empty."""
    room = max(1.0, wide / letter - 2)
    return max(1, ceil(len(text) / room))


def _flowing(facts: Sequence[tuple[str, str]], wide: float) -> int:
    """Estimate the lines of facts that stand one behind the other as far as they fit."""
    lines, used = 1, 0.0
    for label, value in facts:
        own = (len(label) + len(value)) * LETTER + 0.4
        if used and used + own > wide:
            lines, used = lines + 1, 0.0
        lines += int(own // wide)
        used += own % wide + 1.6
    return lines


def _row_height(row: tuple[str, Sequence[str], str, str], wide: float) -> float:
    name, small, planned, seen = row
    first, second, third = (share * wide - 0.5 for share in COLUMNS)
    head = _lines(name, first, BOLD) * LINE + sum(_lines(each, first / SMALL) * SMALL * LINE for each in small)
    return max(head, _lines(planned, second) * LINE, _lines(seen, third) * LINE) + 0.65


def _points(points: Sequence[str], wide: float) -> float:
    return sum(_lines(each, wide) for each in points) * LINE + 0.3


# A result, its plan and the job details → the customer's page as HTML that prints on one sheet.


SIGN_OFF = ("Fitted by, date", "Checked by, date", "Explained to me and received, date")
"""Lines to sign on."""
SIZES = (10.5, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0)
"""Sizes of the letters [pt], the biggest that fits is taken; smaller than the last is not read in a garage."""


class Cut(NamedTuple):
    """How long a text, a name and a list may be on the sheet; the full texts stand in the report beside it."""

    text: int
    name: int
    points: int


CUTS = (Cut(150, 60, 6), Cut(150, 36, 5), Cut(110, 34, 5), Cut(80, 30, 4))
"""Tried in this order, from the most that is said to the least, where a page would not do."""
FITTED_SHOWN = 2
"""What was fitted to one output: the load and a fuse."""

SIGNS: dict[Verdict, tuple[str, str]] = {
    "proven": ("✓", "As planned:"),
    "failed": ("✗", "Not as planned:"),
    "not-proven": ("?", "Not shown:"),
}
CAUTIONS = (
    "Stop lamp and main beam must work without the controller: try them before every drive.",
    "Horns and flashing lamps: check the local code before use on the road.",
    "If a fuse blows, have the cause found; never fit a bigger one.",
    "The vehicle maker's manual comes before this sheet.",
)
"""What whoever uses the vehicle has to mind."""


class _Row(NamedTuple):
    name: str
    fitted: tuple[str, ...]
    planned: str
    state: Verdict
    sign: str
    word: str
    seen: str


def customer_sheet(
    result: CheckResult, plan: Plan, details: JobDetails | None = None, *, not_tested: Sequence[str] = ()
) -> str:
    """Write the customer's page.

    Parameters
    ----------
    result
        What the check found.
    plan
        What the install is meant to do.
    details
        Vehicle, place, parts; None where nothing was given.
    not_tested
        What else was not tested, besides what the recording leaves open.

    Returns
    -------
    str
        HTML that needs nothing else. Long texts are cut with ``…``; the report beside it has them in full.
    """
    sheets = [_sheet(result, plan, details, not_tested, cut) for cut in CUTS]
    tries = [(sheet, points) for sheet in sheets for points in SIZES if fits(sheet.texts(), points)]
    sheet, points = tries[0] if tries else (sheets[-1], SIZES[-1])
    page = page_environment().get_template("customer_sheet.html")
    return page.render(sheet._asdict(), points=points, cautions=CAUTIONS, sign_off=SIGN_OFF)


class _Sheet(NamedTuple):
    """What stands on a sheet, every text as long as it may be."""

    title: str
    verdict: str
    facts: list[tuple[str, str]]
    rows: list[_Row]
    not_tested: list[str]
    normal: list[str]
    footer: str

    def texts(self) -> Texts:
        """Return the texts whose lengths decide about the size of the letters."""
        rows = [(row.name, row.fitted, row.planned, f"  {row.word} {row.seen}") for row in self.rows]
        right = [*self.normal, *CAUTIONS]
        return Texts(self.title, self.verdict, self.footer, self.facts, rows, self.not_tested, right)


def _sheet(result: CheckResult, plan: Plan, details: JobDetails | None, not_tested: Sequence[str], cut: Cut) -> _Sheet:
    return _Sheet(
        title=_cut(result.title or "Hand-over", cut.text),
        verdict=verdict_sentence(result),
        facts=[(label, _cut(value, cut.name)) for label, value in _facts(details)],
        rows=[_row(name, one, plan.outputs[name], details, cut) for name, one in result.outputs.items()],
        not_tested=_shown([*_open_points(result), *not_tested], cut),
        normal=_shown(normal_behaviour(plan, details), cut),
        footer=_footer(result),
    )


def _row(name: str, one: OutputResult, output: Output, details: JobDetails | None, cut: Cut) -> _Row:
    sign, word = SIGNS[one.verdict]
    fitted = [one.load, *(_fuse(part) for part in (details.parts.values() if details else ()) if part.output == name)]
    return _Row(
        _cut(plain_name(name), cut.name),
        tuple(_cut(each, cut.name) for each in fitted[:FITTED_SHOWN] if each),
        _cut(wording.sentence(planned_words(output)), cut.text),
        one.verdict,
        sign,
        word,
        _cut(_seen(one), cut.text),
    )


def _fuse(part: PartShape) -> str:
    """Say how a part is fused; nothing where that was not given."""
    size = f"fuse {part.fuse_a:g} A" if part.fuse_a is not None else ""
    place = f"fuse at {part.fuse_at}" if part.fuse_at and not size else part.fuse_at or ""
    return ", ".join(each for each in (size, place) if each)


def _open_points(result: CheckResult) -> list[str]:
    """Say what the recording leaves open."""
    told = []
    for link, what in wording.OPEN_LINKS.items():
        names = [plain_name(name) for name, one in result.outputs.items() if one.links[link] == "cannot-tell"]
        if names:
            whose = "any output" if len(names) == len(result.outputs) else wording.listed(names)
            told.append(f"For {whose}: {what}.")
    return [*told, NEVER_SHOWN]


def _seen(one: OutputResult) -> str:
    """Say in a sentence what was seen of an output."""
    if one.verdict == "proven":
        median = one.latency_s.median
        quick = f", typically within {wording.milliseconds(median)} ms" if median is not None else ""
        return f"asked for {wording.times(one.due)}, answered every time{quick}."
    follows = one.observed if one.observed not in (None, one.planned) else None
    reason = wording.sentence(one.reason)
    return f"{reason} It follows: {plain_name(follows)}." if follows else reason


def _facts(details: JobDetails | None) -> list[tuple[str, str]]:
    if details is None:
        return []
    vehicle = details.vehicle
    mileage = f"{vehicle.odometer:g} {vehicle.odometer_unit or ''}".strip() if vehicle.odometer is not None else None
    told = (
        ("Job", details.number),
        ("Date", str(details.date) if details.date is not None else None),
        ("Place", details.place),
        ("Customer", details.customer),
        ("Vehicle", vehicle.kind),
        ("Registration", vehicle.registration),
        ("VIN", vehicle.vin),
        ("Owner", vehicle.owner),
        ("Odometer", mileage),
        ("Controller", details.controller.model),
        ("Configuration", details.controller.configuration),
        ("Fitted by", details.fitted_by),
        ("Checked by", details.checked_by),
    )
    return [(label, value) for label, value in told if value]


def _shown(points: Sequence[str], cut: Cut) -> list[str]:
    shown = [_cut(each, cut.text) for each in points[: cut.points]]
    if len(points) > cut.points:
        shown.append(f"and {len(points) - cut.points} more: see the report.")
    return shown


def _footer(result: CheckResult) -> str:
    told = "; ".join(
        f"Recording {_cut(PurePath(each.file).name or each.file, CUTS[-1].name)}, SHA-256 {each.sha256[:12]}"
        for each in result.recordings[:2]
    )
    more = f" and {len(result.recordings) - 2} more" if len(result.recordings) > 2 else ""  # noqa: PLR2004 – room
    return (
        f"A recording shows what is sent on the bus, not whether a load works. {told}{more}. "
        f"Made by canlens {version()}; the full report, all tables and hashes are in the same folder."
    )


def _cut(text: str, longest: int) -> str:
    """Return a text with control characters made visible, cut where it is too long for the sheet."""
    told = visible(text)
    return told if len(told) <= longest else f"{told[: longest - 1]}…"
