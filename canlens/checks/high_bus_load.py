"""high-bus-load: frames take more of the bus's time than is advised.

Looks for
    A mean load above 40 %, which one engine maker asks not to be passed on a J1939 bus; and a second that is all but
    full. A recording shorter than a second tells neither.
Why it matters
    The fuller the bus, the longer messages of low priority wait, and the less room is left for what is sent again
    after an error.
Evidence
    Mean load and that of the fullest window, every stuff bit and the 3 bits of intermission counted.
Cannot tell
    Whether the bus was designed for it: other makers allow more, and none of these figures is a standard.
Next step
    See in the table of identifiers who sends most, and compare with a recording without what was fitted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import BusCheck
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.bus import BusEvidence

ADVISED_MEAN = 0.4
"""Average that one engine maker asks for at most on J1939 (electronic installation manual of an industrial diesel
engine, p. 235); other makers allow more."""
FULL = 0.95
"""A window with less room than this has none for retries (our choice; Bosch CAN 2.0, 1991, 10.3.3 advises against a
load of 100 %, since an error-passive node may need idle bits to end its error frame)."""


def find(evidence: BusEvidence) -> Iterator[Finding]:
    """Find a bus that is too full."""
    bus = evidence.bus
    recording = evidence.recording
    if bus is None or bus.bus_load is None or bus.bus_load_peak is None:
        return
    if recording is None or recording.duration_s < bus.window_s:
        return
    is_full = bus.bus_load_peak >= FULL
    if not is_full and bus.bus_load <= ADVISED_MEAN:
        return
    yield Finding(
        check="high-bus-load",
        severity="warning" if is_full else "note",
        subject=(),
        claim=(
            f"Frames took {bus.bus_load * 100:.1f} % of the bus's time, {bus.bus_load_peak * 100:.1f} % in the fullest "
            f"{bus.window_s:g} s; one engine maker asks for at most {ADVISED_MEAN * 100:.0f} % on average on J1939."
        ),
        cannot_tell="Whether this bus was designed for it.",
        next_step="See who sends most, and compare with a recording without what was fitted.",
        would_change=f"A mean load of {ADVISED_MEAN * 100:.0f} % at most.",
    )


CHECK = BusCheck("high-bus-load", find)
