"""stays-awake: frames long after the control that keeps the bus awake went off, or a sleeping bus that was woken.

Looks for
    Frames later after that control than the plan's ``quiet_after_s`` allows. Without a plan, every time the bus was
    silent for more than two seconds and then woke is noted.
Why it matters
    A bus that does not sleep empties the battery, and what keeps it awake is often the node that was fitted last.
Evidence
    How long frames came, who spoke last, and who spoke first at each wake; lines of those frames.
Cannot tell
    What the node does with its current while the bus is silent: only a meter shows that. Nor whether a door, a key or
    a person woke it.
Next step
    Pull the fuse of what was fitted, wait the full time, and record again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck, lines_of
from canlens.results.finding import WIRING, Finding, Lines
from canlens.wording import times

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence
    from canlens.nouns.messages import QuietEvidence, Wake


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find a bus that does not sleep, or was woken."""
    quiet = evidence.quiet
    if quiet is None or quiet.last is None:
        return
    if quiet.stays_awake:
        yield _awake(quiet)
    elif quiet.wakes:
        yield _woken(quiet.wakes)


def _awake(quiet: QuietEvidence) -> Finding:
    """Return the finding of a bus that is awake longer than the plan allows."""
    last, off_s, allowed_s = quiet.last, quiet.off_s or 0.0, quiet.allowed_s or 0.0
    wakes = [each for each in quiet.wakes if each.first.time_s > off_s]
    first = wakes[0].first if wakes else None
    woken = f"; it was woken {times(len(wakes))}, first by {first.name} at {first.time_s:.3f} s" if first else ""
    name, at_s = (last.name, last.time_s) if last else ("", 0.0)
    return Finding(
        check="stays-awake",
        severity="failure",
        subject=(first.name if first else name,),
        claim=(
            f"{len(quiet.too_late)} frames came later than {allowed_s:g} s after the end of what keeps the bus awake "
            f"(at {off_s:.3f} s); {name} spoke last, {at_s - off_s:.1f} s after it{woken}."
        ),
        evidence=lines_of(quiet.too_late),
        cannot_tell="Who keeps the others awake, and what current flows.",
        next_step="Pull the fuse of what was fitted, wait the full time, and record again.",
        would_change=f"No frame later than {allowed_s:g} s after it.",
        caution=WIRING,
    )


def _woken(wakes: tuple[Wake, ...]) -> Finding:
    """Return the note on a bus that slept and woke."""
    names = tuple(dict.fromkeys(each.first.name for each in wakes))
    return Finding(
        check="stays-awake",
        severity="note",
        subject=names,
        claim=f"The bus fell silent and woke {times(len(wakes))}; {', '.join(names[:6])} spoke first.",
        evidence=Lines(tuple(each.first.line for each in wakes[:20]), tuple(each.first.time_s for each in wakes[:20])),
        cannot_tell="Whether it was meant to wake: a key, a door or a timer may have done it.",
        next_step="See what was done at these moments; where nothing was, look at the node that spoke first.",
        would_change="No frame after the bus fell silent.",
    )


CHECK = BusCheck("stays-awake", find)
