"""Untested: what a verdict does not cover, as sentences that every report and the hand-over share."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from canlens.reports import words

if TYPE_CHECKING:
    from canlens.results import CheckResult

NEVER_SHOWN = "Wiring, fuses, ground and terminating resistors: a recording never shows them."


class Untested(NamedTuple):
    """Something that was neither passed nor failed, and what would prove it (empty where nothing is named)."""

    what: str
    proof: str = ""


def untested(result: CheckResult) -> list[Untested]:
    """Return what a recording leaves open: outputs without proof, links that cannot be told, what no log shows."""
    told = []
    for name, output in result.outputs.items():
        if output.verdict == "not-proven":
            proof = f"To prove it: {words.sentence(output.next_exercise)}" if output.next_exercise else ""
            told.append(Untested(f"{name}: {words.sentence(output.reason)}", proof))
    for link, plain in words.LINK_NAMES.items():
        names = [name for name, output in result.outputs.items() if output.links[link] == "cannot-tell"]
        if names:
            whose = "any output" if len(names) == len(result.outputs) else words.listed(names)
            told.append(Untested(f'Link "{plain}" was not shown for {whose}.'))
    return [*told, Untested(NEVER_SHOWN)]
