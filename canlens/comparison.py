"""Comparison: two recordings, or baselines of them, and what changed."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from canlens.checkup import check
from canlens.database import Database
from canlens.measures.comparing.bus_changes import error_change, load_change, quiet_change
from canlens.measures.comparing.cutting import cut_down
from canlens.measures.comparing.output_changes import latency_changes, rule_changes, supply_changes, timer_changes
from canlens.measures.comparing.pairing import channel_swaps, pairs_of
from canlens.measures.comparing.rhythm import rhythm
from canlens.measures.comparing.set_changes import all_gone, membership, payload_bits, payload_lengths
from canlens.nouns.baselines import Baseline, QuietBaseline
from canlens.overview import survey
from canlens.plan import Bus
from canlens.results.compare import Alignment, ComparisonResult, NotCompared, comparison_form
from canlens.wording import CHANGES, listed

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from canlens.checkup import Checkup
    from canlens.measures.comparing.pairing import Pair
    from canlens.nouns.pictures import DrawnComparison
    from canlens.plan import Plan
    from canlens.results.compare import Change, CompareVerdict
    from canlens.results.finding import Cause
    from canlens.trace import Trace


ORDER = tuple(CHANGES)
"""What weighs more comes first."""


def ordered(changes: Sequence[Change]) -> list[Change]:
    """Sort changes: what nobody asked for first, then by weight, then by size."""
    return sorted(
        changes, key=lambda each: (each.explained_by is not None, ORDER.index(each.change), -abs(each.size or 0.0))
    )


def verdict_of(changes: Sequence[Change]) -> CompareVerdict:
    """Judge all changes together; those that are explained make nothing worse or better."""
    if not changes:
        return "no-change-seen"
    directions = {each.direction for each in changes if each.explained_by is None} - {"neither"}
    if directions == {"worse"}:
        return "worse"
    return "better" if directions == {"better"} else "changed"


def sentence_of(verdict: CompareVerdict, changes: Sequence[Change]) -> str:
    """Say the verdict in one sentence with what stands behind it."""
    if verdict == "no-change-seen":
        return "No change was seen."
    open_changes = [each for each in changes if each.explained_by is None]
    if not open_changes:
        return f"Only what was meant to change has changed: {_counted(changes)}."
    explained = len(changes) - len(open_changes)
    beside = f"; {explained} more {'is' if explained == 1 else 'are'} explained" if explained else ""
    lost = _lost_nodes(open_changes)
    return f"{lost}{_counted(open_changes)}{beside}."


def _counted(changes: Sequence[Change]) -> str:
    counts = Counter[str](each.change for each in changes)
    told = [f"{number} {CHANGES[kind][number > 1]}" for kind in ORDER if (number := counts[kind])]
    return ", ".join(told)


def _lost_nodes(changes: Sequence[Change]) -> str:
    """Name the nodes of which nothing is heard any more."""
    gone = {each.node for each in changes if each.change == "identifier-vanished" and "all " in each.sentence}
    names = sorted(name for name in gone if name)
    if not names:
        return ""
    return (
        f"Nothing is heard of {listed(names)} any more: look at {'its' if len(names) == 1 else 'their'} "
        "supply, plug and stub first; "
    )


OLD_NEWS = 0.5
"""A cause for which the earlier recording spoke half as much as the later one explains no change."""


@dataclass(frozen=True)
class Comparison:
    """The answer of ``canlens compare``, and what it rests on.

    Attributes
    ----------
    result
        What JSON and reports show.
    before, after
        The recordings, cut down.
    """

    result: ComparisonResult
    before: Baseline
    after: Baseline

    @property
    def verdict(self) -> CompareVerdict:
        """``no-change-seen``, ``changed``, ``better``, ``worse`` or ``not-comparable``."""
        return self.result.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return exactly what ``--json`` writes."""
        return comparison_form(self.result)

    def drawn(self) -> DrawnComparison:
        """Return what a page shows besides the result."""
        from canlens.measures.picturing import drawn_comparison  # noqa: PLC0415 – only wanted where a page is

        return drawn_comparison(self.result, self.before, self.after)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the result as pandas tables: ``changes``, ``not_compared``, ``aligned``, ``causes``."""
        import pandas as pd  # noqa: PLC0415 – slow to import, and only wanted here

        whole = self.to_dict()
        return {name: pd.DataFrame(whole[name]) for name in ("changes", "not_compared", "aligned", "causes")}


def make_baseline(
    trace: Trace, database: Database | None = None, *, bit_rate: int | None = None, channel: str | None = None
) -> Baseline:
    """Cut a recording down to what a later one can be compared with.

    Parameters
    ----------
    trace
        The recording.
    database, bit_rate, channel
        As for a survey.

    Raises
    ------
    UsageError
        The recording has frames, but none on the wanted channel.
    """
    return cut_down(trace, database or Database(), Bus(bit_rate=bit_rate, channel=channel))


def compare(
    before: Trace | Baseline,
    after: Trace | Baseline,
    plan: Plan | None = None,
    database: Database | None = None,
    *,
    channel: str | None = None,
) -> Comparison:
    """Tell what changed between two recordings.

    Parameters
    ----------
    before, after
        A recording each, or the baseline that was kept of one.
    plan
        What the install is meant to do: then outputs are compared too, and only like states of the bus.
    database
        Names and senders, where there is no plan.
    channel
        The channel to compare; None: the plan's, or all.

    Raises
    ------
    UsageError
        A recording has frames, but none on the wanted channel.
    """
    sides = [_Side.of(each, plan, database, channel) for each in (before, after)]
    one, other = (side.baseline for side in sides)
    pairs = pairs_of(one, other)
    reason = _obstacle(one, other, pairs)
    if reason is not None:
        return Comparison(_not_comparable(one, other, reason), one, other)
    changes: list[Change] = []
    open_ends: list[NotCompared] = []
    for found, unknown in _found(sides, pairs, plan) if other.frames else _dead(one):
        changes += found
        open_ends += unknown
    changes = ordered(changes)
    verdict = verdict_of(changes)
    result = ComparisonResult(
        verdict=verdict,
        sentence=sentence_of(verdict, changes),
        before=one.recording,
        after=other.recording,
        aligned=tuple(_alignment(pair) for pair in pairs),
        changes=tuple(changes),
        not_compared=tuple(open_ends),
        causes=_causes(sides, database, channel) if changes else (),
    )
    return Comparison(result, one, other)


@dataclass(frozen=True)
class _Side:
    """One recording: cut down, and judged where there is a plan and a recording."""

    baseline: Baseline
    checkup: Checkup | None
    trace: Trace | None

    @classmethod
    def of(cls, source: Trace | Baseline, plan: Plan | None, database: Database | None, channel: str | None) -> _Side:
        if isinstance(source, Baseline):
            return cls(source, None, None)
        if plan is None:
            return cls(make_baseline(source, database, channel=channel), None, source)
        checkup = check(plan, source, channel=channel)
        evidence = checkup.evidence[0]
        control = evidence.controls.get(plan.bus.awake_while or "")
        bus = Bus(plan.bus.bit_rate, plan.bus.data_bit_rate, channel or plan.bus.channel)
        track = control.track if control is not None else None
        return cls(cut_down(source, plan.database, bus, control=track, quiet=_quiet(checkup)), checkup, source)

    def causes(self, database: Database | None, channel: str | None) -> tuple[Cause, ...]:
        """Rank what may be wrong: with a plan everywhere, without one on the bus; nothing is known of a baseline."""
        if self.checkup is not None:
            return self.checkup.result.causes
        return () if self.trace is None else survey(self.trace, database, channel=channel).result.causes


def _causes(sides: list[_Side], database: Database | None, channel: str | None) -> tuple[Cause, ...]:
    """Return the causes that the later recording speaks for and the earlier one did not, or hardly did."""
    first, second = sides
    later = second.causes(database, channel)
    known = {(each.cause, each.subject): each.probability for each in first.causes(database, channel)} if later else {}
    return tuple(each for each in later if known.get((each.cause, each.subject), 0.0) < OLD_NEWS * each.probability)


def _quiet(checkup: Checkup) -> QuietBaseline | None:
    """Return how long the bus stayed awake after its control; None where that was not seen."""
    quiet = checkup.evidence[0].bus_evidence.quiet
    if quiet is None or quiet.off_s is None or quiet.last is None:
        return None
    return QuietBaseline(max(quiet.last.time_s - quiet.off_s, 0.0), max(quiet.end_s - quiet.off_s, 0.0))


def _obstacle(one: Baseline, other: Baseline, pairs: tuple[Pair, ...]) -> NotCompared | None:
    """Say why nothing can be compared; None where something can."""
    if not one.frames:
        return NotCompared("anything", "the recording before holds no frames", "Record the bus while it is awake.")
    if not other.frames:
        return None
    if not pairs:
        return NotCompared(
            "anything",
            "the two recordings have no five seconds of the same state of the bus in common",
            "Record both with the ignition in the same position.",
        )
    poor = [when for when, each in (("before", one), ("after", other)) if each.recording.quality == "poor"]
    if poor:
        quality = (one if poor[0] == "before" else other).recording
        return NotCompared(
            "anything", f"the recording {poor[0]} is poor: {quality.quality_reasons[0]}", "Record again."
        )
    return None


def _not_comparable(one: Baseline, other: Baseline, reason: NotCompared) -> ComparisonResult:
    return ComparisonResult(
        verdict="not-comparable",
        sentence=f"The recordings cannot be compared: {reason.why}.",
        before=one.recording,
        after=other.recording,
        aligned=(),
        changes=(),
        not_compared=(reason,),
        causes=(),
    )


def _found(
    sides: list[_Side], pairs: tuple[Pair, ...], plan: Plan | None
) -> list[tuple[list[Change], list[NotCompared]]]:
    """Put the recordings to every comparison."""
    one, other = (side.baseline for side in sides)
    found: list[tuple[list[Change], list[NotCompared]]] = []
    for pair in pairs:
        members, unknown = membership(pair, controller=plan.controller.node if plan else None)
        found.append((members, unknown))
        found.append(([*payload_lengths(pair), *payload_bits(pair)], []))
        found += [rhythm(pair), load_change(pair, members), error_change(pair, one, other), ([], _clocks(pair))]
    found.append((channel_swaps(pairs), []))
    found.append(quiet_change(one.quiet, other.quiet, allowed_s=plan.bus.quiet_after_s if plan else None))
    found.append(_outputs(sides, plan))
    return found


def _dead(one: Baseline) -> list[tuple[list[Change], list[NotCompared]]]:
    """Tell what a later recording without frames lacks: everything."""
    why = "the recording after holds no frames; the bus may be dead, asleep, or not connected to the recorder"
    needed = "Wake the bus, check the recorder's connection and bit rate, and record again."
    rest = NotCompared("everything but the identifiers", why, needed)
    return [*((all_gone(channel), []) for channel in one.channels), ([], [rest])]


def _clocks(pair: Pair) -> list[NotCompared]:
    """Tell where all cycles changed alike."""
    if pair.clock == 1:
        return []
    return [
        NotCompared(
            "a change of all intervals alike",
            f"nearly all cycles are {(pair.clock - 1) * 100:+.3g} % longer after; that is most likely the recorder's "
            "clock, and was allowed for",
            "Record both with the same recorder.",
        )
    ]


def _outputs(sides: list[_Side], plan: Plan | None) -> tuple[list[Change], list[NotCompared]]:
    """Compare rules, timers, latencies and supply."""
    what, needed = "rules, timers and latencies of outputs, supply", "Give --plan, and two recordings."
    if plan is None:
        return [], [NotCompared(what, "there is no plan", needed)]
    first, second = (side.checkup for side in sides)
    if first is None or second is None:
        return [], [NotCompared(what, "a baseline holds no payloads", needed)]
    both = (first.evidence[0], second.evidence[0])
    timers = timer_changes(*both)
    timed = {each.subject[0] for each in timers if each.before is not None and each.after is not None}
    rules, open_rules = rule_changes(both, first.result.outputs, second.result.outputs, timed=timed)
    other_rule = {each.subject[0] for each in rules}
    found = [
        (rules, open_rules),
        ([each for each in timers if each.subject[0] not in other_rule], []),
        latency_changes(*both),
        supply_changes(plan, *both),
    ]
    return [each for changes, _ in found for each in changes], [each for _, unknown in found for each in unknown]


def _alignment(pair: Pair) -> Alignment:
    return Alignment(
        channel_before=pair.before.channel.name,
        channel_after=pair.after.channel.name,
        state=pair.state,
        before_s=pair.before.seconds,
        after_s=pair.after.seconds,
        clock_ratio=pair.clock,
    )
