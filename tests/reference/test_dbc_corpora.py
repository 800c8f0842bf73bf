"""Real DBC files: all of them load, what they hold is counted, and decoding equals cantools' (45.1.0)."""

from __future__ import annotations

import io
import json
import math
import random
from typing import TYPE_CHECKING

import cantools.database
import pytest
from cantools.database.errors import DecodeError, UnsupportedDatabaseFormatError

from canlens.database import Database, read_database
from canlens.errors import DatabaseError
from canlens.signals import decode
from tests.recordings import Frame, recording
from tests.reference.dbc_corpora import COUNTS, Sample, counts, samples
from tests.samples import samples_of

if TYPE_CHECKING:
    from canlens.database import Message

PAYLOADS = 3
LONGEST = 64


@pytest.fixture(scope="module")
def corpora() -> list[Sample]:
    return samples()


def loaded(sample: Sample) -> Database:
    return read_database(io.BytesIO(sample.content))


def text_of(sample: Sample) -> str:
    try:
        return sample.content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return sample.content.decode("cp1252", errors="replace")


def parsed(text: str, *, strict: bool) -> cantools.database.can.Database | None:
    """Return what cantools alone makes of a file, or None where it refuses it."""
    try:
        database = cantools.database.load_string(text, "dbc", strict=strict, sort_signals=None)
    except UnsupportedDatabaseFormatError:
        return None
    assert isinstance(database, cantools.database.can.Database)
    return database


def test_every_file_loads_with_the_counts_that_are_kept(corpora: list[Sample]) -> None:
    found = {sample.key: counts(sample) for sample in corpora}
    assert found == json.loads(COUNTS.read_text(encoding="utf-8"))


def test_what_cantools_refuses_has_problems_and_still_holds_messages(corpora: list[Sample]) -> None:
    refused = [sample for sample in corpora if parsed(text_of(sample), strict=False) is None]
    assert len(refused) > 30
    for sample in refused:
        database = loaded(sample)
        assert database.messages, sample.key
        assert database.problems, sample.key
        assert all(
            problem.line and problem.found and problem.expected and problem.done for problem in database.problems
        )


def test_what_cantools_loads_strictly_never_passes_through_our_own_hands(
    corpora: list[Sample], monkeypatch: pytest.MonkeyPatch
) -> None:
    good = [sample for sample in corpora if parsed(text_of(sample), strict=True) is not None]
    assert len(good) > 120
    monkeypatch.setattr("canlens.database.parsing.Book", None)
    for sample in good:
        assert loaded(sample).files


@pytest.mark.parametrize(("kind", "least"), [("kcd", 8), ("sym", 15), ("arxml", 8)])
def test_other_formats_come_as_cantools_reads_them(kind: str, least: int) -> None:
    loaded_files = 0
    for file in sorted((samples_of("cantools", "45.1.0") / "tests" / "files" / kind).glob(f"*.{kind}")):
        try:
            judge = cantools.database.load_file(file, strict=False)
        except UnsupportedDatabaseFormatError:
            with pytest.raises(DatabaseError):
                read_database(file)
            continue
        assert isinstance(judge, cantools.database.can.Database)
        keys = [(one.frame_id, one.is_extended_frame) for one in judge.messages]
        database = read_database(file)
        assert [(one.identifier, one.is_extended) for one in database.messages] == list(dict.fromkeys(keys)), file.name
        loaded_files += 1
    assert loaded_files >= least


def test_decoding_equals_cantools_for_every_message_of_every_file_that_it_loads_strictly(corpora: list[Sample]) -> None:
    messages = 0
    for sample in corpora:
        judge = parsed(text_of(sample), strict=True)
        if judge is None:
            continue
        database = loaded(sample)
        assert len(database.messages) == len({(one.frame_id, one.is_extended_frame) for one in judge.messages})
        for message in database.messages:
            theirs = same(judge, message)
            assert theirs is not None, sample.key
            if message.length <= LONGEST and not theirs.is_container:
                compare(message, theirs, random.Random(f"{sample.key}{message.identifier}"))  # noqa: S311
                messages += 1
    assert messages > 3000


def same(judge: cantools.database.can.Database, message: Message) -> cantools.database.can.Message | None:
    for theirs in judge.messages:
        if (theirs.frame_id, theirs.is_extended_frame) == (message.identifier, message.is_extended):
            return theirs
    return None


def compare(message: Message, theirs: cantools.database.can.Message, chance: random.Random) -> None:
    assert [one.name for one in message.signals] == [one.name for one in theirs.signals]
    payloads = [chance.randbytes(message.length) for _ in range(PAYLOADS)]
    frames = [Frame(payload, message.identifier, message.is_extended) for payload in payloads]
    ours = decode(recording(frames), message)
    for row, payload in enumerate(payloads):
        try:
            expected = theirs.decode_simple(payload, decode_choices=False)
        except DecodeError:  # a page that no signal is on: cantools gives up the whole frame
            continue
        found = {
            signal.definition.name: signal.value[at]
            for signal in ours.values()
            for at in (signal.rows == row).nonzero()[0]
        }
        assert set(found) == set(expected), (message.name, payload.hex())
        for name, value in expected.items():
            assert isinstance(value, int | float)
            assert same_number(found[name], float(value)), (message.name, name, payload.hex())


def same_number(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=1e-12, abs_tol=1e-12) or (math.isnan(one) and math.isnan(other))
