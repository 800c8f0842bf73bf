"""untested-part: a time, level or flashing that the plan promises was never seen.

Looks for
    Run-on and cut-off times that never ran to their end, levels by day or night that never stood, flashing that
    never had to happen or that messages come too seldom to show; an output judged by eye that was never seen off.
Why it matters
    What was not seen was not tested, and not tested is never passed.
Evidence
    None: that is the point.
Cannot tell
    Anything about the part named.
Next step
    Make the recording long enough, or the light dark enough, to see it once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check, called
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence, OutputEvidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find promised parts that the recording does not show."""
    for name, own in evidence.outputs.items():
        if own.judged_from == "nothing":
            continue
        output = evidence.plan.outputs[name]
        for part, advice in _parts(own, output.run_on_s):
            yield Finding(
                check="untested-part",
                severity="note",
                subject=(name,),
                claim=f"{called(output)}: {part} was never seen.",
                cannot_tell=f"Whether {part} is as planned.",
                next_step=advice,
                would_change=f"One recording that shows {part}.",
            )


def _parts(own: OutputEvidence, run_on_s: float | None) -> Iterator[tuple[str, str]]:
    """List what was not seen, with what to do for it."""
    if own.judged_from == "observed":
        if not own.seen_off:
            yield "its going off with its rule", f"Watch {own.name} with every control released and note it as off."
        return
    if run_on_s is not None and own.release is not None and not own.release.completed:
        yield (
            f"the end of its run-on of {run_on_s:g} s",
            f"Record for {run_on_s + 5:g} s after its rule has ended.",
        )
    if own.cut_off is not None and not own.cut_off.is_shown:
        planned_s = own.cut_off.planned_s
        yield f"its cut-off after {planned_s:g} s", f"Hold its rule on for {planned_s + 5:g} s in one go."
    if own.day is not None and not len(own.day.medians):
        yield "its level by day", "Record it once by daylight, or with the light sensor lit."
    if own.night is not None and not len(own.night.medians):
        yield "its level by night", "Record it once in the dark, or with the light sensor covered."
    if own.flash is not None and own.flash.too_coarse:
        yield "its flashing", "Watch it by eye and note it with --observed: its messages come too seldom."
    elif own.flash is not None and not own.flash.stretches:
        yield "its flashing", "Hold the control that makes it flash for three seconds."


CHECK = Check("untested-part", find, of_whole_job=True)
