"""poor-recording: the recording is too poor to judge the install by.

Looks for
    More than one unusable line in a hundred; a clock that restarts; a clock that steps by more than the time in which
    an answer is due.
Why it matters
    Verdicts that rest on it would be guesses; they are withheld.
Evidence
    The reasons.
Cannot tell
    Anything about the install.
Next step
    Record again: one run, to the disk and not over the network, with time stamps from the adapter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canlens.checks.entry import Check
from canlens.results.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from canlens.nouns.outputs import Evidence


def find(evidence: Evidence) -> Iterator[Finding]:
    """Find a recording that cannot be judged."""
    own = evidence.recording
    if own.quality != "poor":
        return
    yield Finding(
        check="poor-recording",
        severity="warning",
        subject=(),
        claim=f"The recording is poor: {'; '.join(own.quality_reasons)}.",
        cannot_tell="Anything about the outputs; their verdicts are withheld.",
        next_step="Record again in one run, and keep the recorder's computer free of other work.",
        would_change="A recording of good quality.",
    )


CHECK = Check("poor-recording", find)
