"""Encoding against cantools, which writes payloads bit by bit."""

from __future__ import annotations

import io
import math
from typing import Any

import cantools.database
import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from canlens.database import Message, SignalDefinition, read_database
from canlens.rehearsal.encoding import put, to_raw, to_value
from tests.property.strategies import DrawnMessage, drawn_messages, payloads


def our_message(text: str) -> Message:
    return read_database(io.StringIO(text)).messages[0]


def encoded(message: Message, raw: dict[str, Any]) -> bytes:
    payload = np.zeros((1, message.length), np.uint8)
    for name, value in raw.items():
        definition = message.signal(name)
        assert definition is not None
        unsigned_64 = not definition.is_signed and definition.length == 64 and not definition.is_float
        kind = np.float64 if definition.is_float else (np.uint64 if unsigned_64 else np.int64)
        put(payload, definition, np.array([value], kind))
    joined: bytes = payload[0].tobytes()
    return joined


@settings(max_examples=150, deadline=None)
@given(drawn_messages(), st.data())
def test_every_layout_is_encoded_as_by_cantools(drawn: DrawnMessage, data: st.DataObject) -> None:
    assume(all(signal.length <= 64 for signal in drawn.signals))
    parsed: Any = cantools.database.load_string(drawn.text(), "dbc", strict=False)
    theirs = parsed.messages[0]
    try:
        raw = theirs.decode(data.draw(payloads(drawn.length)), decode_choices=False, scaling=False)
        expected = theirs.encode(raw, scaling=False, strict=False)
    except (cantools.database.DecodeError, cantools.database.EncodeError):
        assume(False)
    assume(not any(math.isnan(value) for value in raw.values()))
    assert encoded(our_message(drawn.text()), raw) == expected


@given(
    st.floats(-1e4, 1e4),
    st.sampled_from([1, 0.25, 0.1, -2, 0.05]),
    st.sampled_from([0, -40, 10.5]),
    st.sampled_from(["signed", "unsigned"]),
    st.integers(1, 64),
)
def test_a_value_lands_within_half_a_step_or_at_the_end_of_its_bits(
    value: float, scale: float, offset: float, sign: str, length: int
) -> None:
    is_signed = sign == "signed"
    definition = SignalDefinition("s", 0, length, is_signed=is_signed, scale=scale, offset=offset)
    raw = to_raw(definition, np.array([value]))
    low, high = (-(2 ** (length - 1)), 2 ** (length - 1) - 1) if is_signed else (0, 2**length - 1)
    assert low <= int(raw[0]) <= high
    if low < int(raw[0]) < high:
        assert abs(float(to_value(definition, raw)[0]) - value) <= abs(scale) * 0.5000001


def test_values_beyond_what_the_bits_hold_stay_at_the_end() -> None:
    wide = SignalDefinition("s", 0, 64)
    signed = SignalDefinition("s", 0, 8, is_signed=True)
    assert to_raw(signed, np.array([-1e9, -128.4, 127.4, 1e9])).tolist() == [-128, -128, 127, 127]
    assert to_raw(wide, np.array([-1.0, 2.0**62 + 2.0**40])).tolist() == [0, 2**62 + 2**40]


def test_rows_that_are_not_wanted_keep_their_bytes() -> None:
    payload = np.full((3, 2), 0xFF, np.uint8)
    put(payload, SignalDefinition("s", 4, 8), np.array([0, 0, 0]), rows=np.array([False, True, False]))
    assert payload.tolist() == [[0xFF, 0xFF], [0x0F, 0xF0], [0xFF, 0xFF]]
