"""The recordings in ``traces/`` are what the rehearsal makes, and show what the files beside them say."""

from __future__ import annotations

import gzip

import pytest

from canlens.checkup import check
from canlens.plan import read_plan
from canlens.readers import read_trace
from canlens.rehearsal import candump_text
from tests.end_to_end.remake_traces import TRACES, Origin, origins

ORIGINS = origins()
each_recording = pytest.mark.parametrize("origin", ORIGINS, ids=lambda origin: origin.path.stem)
LARGEST_FILE = 300_000


def test_every_recording_has_a_file_that_tells_of_it() -> None:
    told = {origin.recording.name for origin in ORIGINS}
    assert {path.name for path in TRACES.glob("quernholt*.log.gz")} == told
    assert len(told) >= 2


@each_recording
def test_the_recording_is_made_again_to_the_letter(origin: Origin) -> None:
    written = gzip.decompress(origin.recording.read_bytes()).decode("ascii")
    made = candump_text(origin.made_again().trace)
    assert written == made, "python -m tests.end_to_end.remake_traces writes it anew, if the change is wanted"


@each_recording
def test_the_recording_stays_small(origin: Origin) -> None:
    assert origin.recording.stat().st_size < LARGEST_FILE


@each_recording
def test_the_recording_shows_what_is_expected_of_it(origin: Origin) -> None:
    result = check(read_plan(origin.plan), read_trace(origin.recording)).result
    assert result.verdict == origin.expected["verdict"]
    assert {name: output.verdict for name, output in result.outputs.items()} == origin.expected["outputs"]
    failed = {finding.check for finding in result.findings if finding.severity == "failure"}
    assert failed == set(origin.expected["checks"])


@each_recording
def test_the_faults_built_in_are_the_causes_expected(origin: Origin) -> None:
    built = sorted(fault.cause for fault in origin.made_again().truth.faults)
    assert built == sorted(origin.expected.get("causes", []))
