"""Results of a comparison: the classes whose fields are the keys of ``canlens/compare/1``.

As with the results of a check, a field added here is a key added there. ``*_s`` times count from the first frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from canlens.nouns.baselines import State
from canlens.nouns.bus import RecordingResult
from canlens.results.finding import Cause
from canlens.results.form import Json, document

COMPARE_SCHEMA = "canlens/compare/1"
"""Name of the written form; the digit grows when a key changes its meaning or goes."""

CompareVerdict = Literal["no-change-seen", "changed", "better", "worse", "not-comparable"]
ChangeKind = Literal[
    "identifier-vanished",
    "identifier-new",
    "channel-swap",
    "interval",
    "jitter",
    "payload-length",
    "payload-bits",
    "bus-load",
    "errors",
    "quiet",
    "rule",
    "run-on",
    "cut-off",
    "latency",
    "supply",
]
Direction = Literal["better", "worse", "neither"]


@dataclass(frozen=True, kw_only=True)
class Change:
    """One thing that differs between the recordings.

    ``quantity`` says what was measured and ``unit`` in what; ``size`` is the change as a share of what was before (of
    payload bits their number), null where there was nothing before. ``p`` is the chance of so much difference where
    nothing changed, after correction for the number of tests; null where no test is needed. ``explained_by`` names
    what was meant to change; null: nobody asked for it.
    """

    change: ChangeKind
    subject: tuple[str, ...]
    before: float | str | None
    after: float | str | None
    size: float | None = None
    p: float | None = None
    explained_by: str | None = None
    quantity: str
    unit: str = ""
    direction: Direction = "neither"
    channel: str = ""
    node: str | None = None
    sentence: str


@dataclass(frozen=True)
class NotCompared:
    """What could not be compared, why, and what would be needed; ``needed`` is empty where nothing helps."""

    what: str
    why: str
    needed: str


@dataclass(frozen=True)
class Alignment:
    """What was held against what: the state of the bus, and for how long it was seen in it [s]."""

    channel_before: str
    channel_after: str
    state: State
    before_s: float
    after_s: float
    clock_ratio: float


@dataclass(frozen=True)
class ComparisonResult:
    """All of ``canlens compare``: the answer first, then what it rests on."""

    verdict: CompareVerdict
    sentence: str
    before: RecordingResult
    after: RecordingResult
    aligned: tuple[Alignment, ...]
    changes: tuple[Change, ...]
    not_compared: tuple[NotCompared, ...]
    causes: tuple[Cause, ...]


def comparison_form(result: ComparisonResult) -> dict[str, Json]:
    """Return the written form of a comparison: what ``canlens compare --json`` writes."""
    return document(COMPARE_SCHEMA, result)
