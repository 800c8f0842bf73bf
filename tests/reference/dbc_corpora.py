"""Databases that people really have: those of two open source packages, as (key, name, content)."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from tests.samples import samples_of

if TYPE_CHECKING:
    from collections.abc import Iterator

COUNTS: Final = Path(__file__).with_name("dbc_corpora.json")
"""Key -> [messages, signals, problems] of every file; ``python -m tests.reference.dbc_corpora`` writes it anew."""
GENERATE: Final = """
import json, sys
from opendbc.dbc.generator.generator import generate_all
json.dump(generate_all(), sys.stdout)
"""


@dataclass(frozen=True)
class Sample:
    """One file.

    Attributes
    ----------
    key
        The first twelve hexadecimal digits of the SHA-256 of its content.
    name
        Its file name, which is not kept anywhere.
    content
        Its bytes.
    """

    key: str
    name: str
    content: bytes

    @classmethod
    def of(cls, name: str, content: bytes) -> Sample:
        return cls(hashlib.sha256(content).hexdigest()[:12], name, content)


def samples() -> list[Sample]:
    """Return all files of both packages, and those that the generator of one of them makes; each content once."""
    return list({sample.key: sample for sample in _samples()}.values())


def _samples() -> Iterator[Sample]:
    parser = samples_of("cantools", "45.1.0")
    for file in sorted((parser / "tests" / "files" / "dbc").glob("*.dbc")):
        yield Sample.of(file.name, file.read_bytes())
    package = samples_of("opendbc", "0.3.1")
    for file in sorted((package / "opendbc" / "dbc").glob("*.dbc")):
        yield Sample.of(file.name, file.read_bytes())
    command = [sys.executable, "-c", GENERATE]
    made = subprocess.run(command, cwd=package, capture_output=True, check=True, timeout=120)
    for name, text in json.loads(made.stdout).items():
        yield Sample.of(f"{name}.dbc", text.encode())


def counts(sample: Sample) -> list[int]:
    """Return how many messages, signals and problems canlens finds."""
    import io  # noqa: PLC0415

    from canlens import read_database  # noqa: PLC0415

    source = io.BytesIO(sample.content)
    source.name = sample.name
    database = read_database(source)
    signals = sum(len(message.signals) for message in database.messages)
    return [len(database.messages), signals, sum(problem.count for problem in database.problems)]


def main() -> None:
    """Write the counts anew, one file a line."""
    rows = [f"{json.dumps(sample.key)}: {json.dumps(counts(sample))}" for sample in samples()]
    COUNTS.write_text("{\n" + ",\n".join(sorted(rows)) + "\n}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
