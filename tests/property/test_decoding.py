"""Decoding whole columns gives what cantools gives frame by frame."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import cantools.database
from cantools.database.utils import decode_data
from hypothesis import given, settings
from hypothesis import strategies as st

from canlens.database import read_database
from canlens.signals import decode
from canlens.trace import Kind
from tests.property.strategies import DrawnMessage, careless_messages, drawn_messages, payloads, wide_messages
from tests.recordings import Frame, recording

if TYPE_CHECKING:
    from canlens.signals import Signal

Number = float | int
many = settings(max_examples=300, deadline=None)


def parsed_message(message: DrawnMessage) -> Any:
    parsed = cantools.database.load_string(message.text(), "dbc", strict=False)
    return parsed.messages[0]  # type: ignore[union-attr]


def walk(message: Any, node: Any, payload: bytes, *, scaled: bool) -> dict[str, Number]:
    """Decode with cantools level by level, where an unknown page loses only its own signals."""
    options = (False, scaled, True, True)  # no texts, scaling, shorter and longer payloads
    found: dict[str, Any] = decode_data(payload, message.length, node["signals"], node["formats"], *options)
    for name, pages in node["multiplexers"].items():
        if name in found and int(found[name]) in pages:
            found |= walk(message, pages[int(found[name])], payload, scaled=scaled)
    return found


def by_cantools(message: Any, payload: bytes, *, scaled: bool) -> dict[str, Number]:
    found = walk(message, message._codecs, payload, scaled=scaled)
    try:
        whole = message.decode(payload, decode_choices=False, scaling=scaled, allow_truncated=True)
    except cantools.database.DecodeError:
        return found  # cantools gives up a frame that shows an unknown page
    assert list(map(repr, sorted(whole.items()))) == list(map(repr, sorted(found.items())))
    return found


def same(ours: Number, theirs: Number) -> bool:
    return ours == theirs or (math.isnan(ours) and math.isnan(theirs))


def assert_equal(signal: Signal, expected: dict[int, tuple[Number, Number]]) -> None:
    """Compare one column with row -> (raw, value)."""
    assert signal.rows.tolist() == list(expected)
    for ours, (theirs, _) in zip(signal.raw.tolist(), expected.values(), strict=True):
        assert type(ours) is type(theirs)
        assert same(ours, theirs), signal.definition
    for value, (_, theirs) in zip(signal.value.tolist(), expected.values(), strict=True):
        assert same(value, float(theirs)), signal.definition


@many
@given(drawn_messages() | wide_messages(), st.data())
def test_every_layout_decodes_as_by_cantools(message: DrawnMessage, data: st.DataObject) -> None:
    drawn = data.draw(st.lists(payloads(message.length) | payloads(64), min_size=1, max_size=12))
    trace = recording([Frame(payload, message.identifier, message.is_extended) for payload in drawn])
    parsed = parsed_message(message)
    raw = [by_cantools(parsed, payload, scaled=False) for payload in drawn]
    scaled = [by_cantools(parsed, payload, scaled=True) for payload in drawn]
    database = read_database(io.StringIO(message.text()))
    assert database.problems == ()
    signals = decode(trace, database.messages[0])
    assert list(signals) == [f"Drawn.{signal.name}" for signal in message.signals]
    for signal in message.signals:
        rows = [row for row, found in enumerate(raw) if signal.name in found]
        expected = {row: (raw[row][signal.name], scaled[row][signal.name]) for row in rows}
        assert_equal(signals[f"Drawn.{signal.name}"], expected)


@many
@given(careless_messages(), st.data())
def test_signals_that_overlap_or_stick_out_decode_as_if_alone(message: DrawnMessage, data: st.DataObject) -> None:
    drawn = data.draw(st.lists(payloads(12), min_size=1, max_size=8))
    trace = recording([Frame(payload, message.identifier) for payload in drawn])
    database = read_database(io.StringIO(message.text()))
    signals = decode(trace, database.messages[0])
    for signal in message.signals:
        alone = parsed_message(message.alone(signal))
        raw = [by_cantools(alone, payload, scaled=False) for payload in drawn]
        scaled = [by_cantools(alone, payload, scaled=True) for payload in drawn]
        rows = [row for row, found in enumerate(raw) if found]
        expected = {row: (raw[row][signal.name], scaled[row][signal.name]) for row in rows}
        assert_equal(signals[f"Drawn.{signal.name}"], expected)


@many
@given(careless_messages())
def test_each_signal_that_overlaps_or_sticks_out_is_a_problem(message: DrawnMessage) -> None:
    expected: list[int] = []
    taken: set[int] = set()
    for line, signal in enumerate(
        message.signals, start=message.text()[: message.text().index(" SG_")].count("\n") + 1
    ):
        bits = set(signal.bits())
        expected += [line] * (max(bits) // 8 >= message.length) + [line] * (not bits.isdisjoint(taken))
        taken |= bits
    database = read_database(io.StringIO(message.text()))
    assert [problem.line for problem in database.problems] == expected


@many
@given(st.data())
def test_only_data_frames_of_the_identifier_are_decoded(data: st.DataObject) -> None:
    message = data.draw(drawn_messages())
    other = st.builds(
        Frame,
        payload=st.just(bytes(8)),
        identifier=st.sampled_from([message.identifier, message.identifier ^ 1]),
        is_extended=st.booleans(),
        kind=st.sampled_from(Kind),
    )
    frames = data.draw(st.lists(other, max_size=30))
    trace = recording(frames)
    expected = [
        row
        for row, frame in enumerate(frames)
        if frame.kind == Kind.DATA
        and (frame.identifier, frame.is_extended) == (message.identifier, message.is_extended)
    ]
    database = read_database(io.StringIO(message.text()))
    plain = [
        signal.name
        for signal in message.signals
        if not signal.multiplexer and max(signal.bits()) < 64  # all eight bytes are there
    ]
    for name in plain:
        signal = decode(trace, database.messages[0])[f"Drawn.{name}"]
        assert signal.rows.tolist() == expected
        assert signal.line.tolist() == trace.line[expected].tolist()
        assert signal.time_s.tolist() == trace.time_s[expected].tolist()
