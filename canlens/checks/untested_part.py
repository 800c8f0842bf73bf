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
from canlens.judging.deviations import unseen_parts
from canlens.judging.settling import SPARE_S
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.judging.deviations import Part
    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find promised parts that the recording does not show."""
    for name, own in evidence.outputs.items():
        output = evidence.plan.outputs[name]
        run_on_s, cut_after_s = output.run_on_s or 0.0, output.cut_after_s or 0.0
        times_s = {"run_on_s": run_on_s, "cut_after_s": cut_after_s}
        long_s = {"run_long_s": run_on_s + SPARE_S, "hold_long_s": cut_after_s + SPARE_S}
        for each in unseen_parts(own, output):
            part = NAMES[each].format(**times_s)
            yield Finding(
                check="untested-part",
                severity="note",
                subject=(name,),
                claim=f"{called(output)}: {part} was never seen.",
                cannot_tell=f"Whether {part} is as planned.",
                next_step=ADVICE[each].format(name=name, **long_s),
                would_change=f"One recording that shows {part}.",
            )


NAMES: dict[Part, str] = {
    "off": "its going off with its rule",
    "run-on": "the end of its run-on of {run_on_s:g} s",
    "cut-off": "its cut-off after {cut_after_s:g} s",
    "level-by-day": "its level by day",
    "level-by-night": "its level by night",
    "flashing-in-time": "its flashing",
    "flashing": "its flashing",
}
ADVICE: dict[Part, str] = {
    "off": "Watch {name} with every control released and note it as off.",
    "run-on": "Record for {run_long_s:g} s after its rule has ended.",
    "cut-off": "Hold its rule on for {hold_long_s:g} s in one go.",
    "level-by-day": "Record it once by daylight, or with the light sensor lit.",
    "level-by-night": "Record it once in the dark, or with the light sensor covered.",
    "flashing-in-time": "Watch it by eye and note it with --observed: its messages come too seldom.",
    "flashing": "Hold the control that makes it flash for three seconds.",
}

CHECK = Check("untested-part", find, of_whole_job=True)
