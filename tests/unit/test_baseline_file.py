from __future__ import annotations

import gzip
import json
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from canlens import compare, read_baseline
from canlens.baseline_file import baseline_bytes, is_baseline
from canlens.comparison import make_baseline
from canlens.errors import LogError
from canlens.nouns.baselines import Baseline, ChannelBaseline, IdentifierBaseline
from tests.unit.error_logs import with_records
from tests.unit.small_buses import Sent, bus, counting, others

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

NO_ACK = 0x20  # Linux include/uapi/linux/can/error.h, CAN_ERR_ACK


def _baseline() -> Baseline:
    made = bus(Sent("Speed", 0x100, every_s=0.1, jitter_s=0.001, payload=counting()), *others(), end_s=33)
    return make_baseline(with_records(made.trace, [(4.0, NO_ACK, "00" * 8)]), made.plan.database)


def _same(one: object, other: object) -> bool:
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other)  # type: ignore[arg-type]
    if isinstance(one, Baseline | ChannelBaseline | IdentifierBaseline):
        return all(_same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one) if f.name != "is_kept")
    if isinstance(one, tuple) and one and isinstance(one[0], ChannelBaseline | IdentifierBaseline):
        assert isinstance(other, tuple)
        return len(one) == len(other) and all(map(_same, one, other))
    return one == other


def test_a_baseline_is_read_as_it_was_written(tmp_path: Path) -> None:
    kept = _baseline()
    file = tmp_path / "before.baseline"
    file.write_bytes(baseline_bytes(kept))
    read = read_baseline(file)
    assert is_baseline(file)
    assert read.is_kept
    assert _same(kept, read)
    assert baseline_bytes(read) == baseline_bytes(kept)
    assert compare(kept, read).verdict == "no-change-seen"


def test_an_unpacked_baseline_is_read_too(tmp_path: Path) -> None:
    file = tmp_path / "before.json"
    file.write_bytes(gzip.decompress(baseline_bytes(_baseline())))
    assert is_baseline(file)
    assert read_baseline(file).frames == _baseline().frames


@pytest.mark.parametrize(
    "content", [b"", b"(1.0) can0 123#00\n", gzip.compress(b"(1.0) can0 123#00\n", mtime=0), b"\x1f\x8bxx"]
)
def test_what_is_no_baseline_is_not_taken_for_one(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "job.log"
    file.write_bytes(content)
    assert not is_baseline(file)
    assert not is_baseline(tmp_path / "missing")


def _change(document: Any, path: str, value: object) -> None:
    *way, last = path.split(".")
    for key in way:
        document = document[int(key)] if key.isdigit() else document[key]
    document[last] = value


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("channels.0.identifiers.0.in_block", [1], "expected 7 numbers, found 1"),
        ("channels.0.identifiers.0.gaps", [-1] * 7, "expected whole numbers from 0 on"),
        ("channels.0.identifiers.0.frames", 0, "with frames"),
        ("channels.0.identifiers.0.kind", "often", "channels.0.identifiers.0.kind"),
        ("channels.0.control", "xyz", "each 1, 0 or ~"),
        ("schema", "canlens/baseline/2", "schema"),
        ("recording", None, "recording"),
    ],
)
def test_a_damaged_baseline_is_answered_with_its_place(tmp_path: Path, path: str, value: object, told: str) -> None:
    document = json.loads(gzip.decompress(baseline_bytes(_baseline())))
    _change(document, path, value)
    file = tmp_path / "before.baseline"
    file.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(LogError, match="Save") as raised:
        read_baseline(file)
    assert told in str(raised.value)


@pytest.mark.parametrize("spoil", [lambda data: data[:-20], lambda data: data[:40], lambda _: b"{"])
def test_half_a_baseline_is_answered_with_a_sentence(tmp_path: Path, spoil: Callable[[bytes], bytes]) -> None:
    file = tmp_path / "before.baseline"
    file.write_bytes(spoil(baseline_bytes(_baseline())))
    with pytest.raises(LogError, match=r"before\.baseline"):
        read_baseline(file)


def test_an_hour_of_a_bus_takes_a_few_hundred_kilobytes() -> None:
    sent = [Sent(f"M{n}", 0x100 + n, every_s=0.1, phase_s=0.0009 * n, jitter_s=0.0005) for n in range(10)]
    ten_minutes = make_baseline(bus(*sent, end_s=600).trace)
    assert len(baseline_bytes(ten_minutes)) * 6 * 5 < 800_000  # 50 identifiers, one hour
