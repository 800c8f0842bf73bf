"""over-current: the current of an output passes its limit.

Looks for
    Current above ``peak_a`` at any time; current above ``continuous_a`` for longer than ``peak_s`` (for a second
    where the plan gives no peak time).
Why it matters
    The controller will cut the output off, at once or when it is hot; wire and fuse were chosen for less.
Evidence
    The highest current; log lines at which a limit was passed.
Cannot tell
    Inrush shorter than the message's interval, and whether the load, its wire or a short draws the current.
Next step
    Measure the load's current with a clamp; compare with its label and with the wire's fuse.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import OutputCheck, Said, called
from canlens.results.finding import MEASURE_LIVE, OVER_CURRENT

if TYPE_CHECKING:
    from canlens.judging import Deviation
    from canlens.plan import Output


def say(output: Output, *found: Deviation) -> Said:
    """Say that the current of an output passed a limit."""
    limits = [f"{output.continuous_a:g} A continuously"] if output.continuous_a is not None else []
    if output.peak_a is not None:
        limits.append(f"{output.peak_a:g} A" + (f" for {output.peak_s:g} s" if output.peak_s is not None else ""))
    drew = f"drew up to {found[0].most.max():.3g} A"
    return Said(
        claim=f"{called(output)} {drew}; its limit is {' or '.join(limits)}.",
        cannot_tell="Whether the load, its wire or a short draws it; and inrush shorter than one message interval.",
        next_step=f"Measure the current of {output.name} with a clamp meter and compare it with the load's label.",
        would_change=f"A recording in which {output.name} stays below {' and '.join(limits)}.",
    )


CHECK = OutputCheck("over-current", ("over-current",), say, f"{OVER_CURRENT} {MEASURE_LIVE}")
