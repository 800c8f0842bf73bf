"""Make the recordings in ``traces/`` again, each as the file beside it says.

``python -m tests.end_to_end.remake_traces`` writes them, after a wanted change of the rehearsal.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canlens.plan import read_plan
from canlens.rehearsal import Rehearsal, rehearse, write_candump

TRACES = Path(__file__).parents[2] / "traces"


@dataclass(frozen=True)
class Origin:
    """The file beside a recording: what it is made of, and what it must show."""

    path: Path
    origin: dict[str, Any]
    expected: dict[str, Any]

    @property
    def recording(self) -> Path:
        return self.path.with_name(self.origin["recording"])

    @property
    def plan(self) -> Path:
        return self.path.with_name(self.origin["plan"])

    def made_again(self) -> Rehearsal:
        plan = read_plan(self.plan)
        return rehearse(plan, fault=self.origin["faults"], seed=self.origin["seed"])


def origins() -> list[Origin]:
    """Read every file in ``traces/`` that tells of a rehearsed recording."""
    read = [(path, tomllib.loads(path.read_text("utf-8"))) for path in sorted(TRACES.glob("*.toml"))]
    return [
        Origin(path, told["origin"], told["expected"])
        for path, told in read
        if told.get("origin", {}).get("made_by") == "canlens.rehearsal.rehearse"
    ]


if __name__ == "__main__":
    for each in origins():
        write_candump(each.made_again().trace, each.recording)
