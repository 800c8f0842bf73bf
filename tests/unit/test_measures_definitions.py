"""The databases held against a recording: identifiers, bits, values."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canlens.database import Database, Message, SignalDefinition
from canlens.measures.traffic.definitions import definition_evidence, first_move, moved_bits
from canlens.measures.traffic.identifiers import near_misses, parameter_group
from canlens.trace import Kind
from tests.recordings import Frame, recording

if TYPE_CHECKING:
    from canlens.nouns.definitions import DefinitionEvidence

IDENTIFIERS = st.tuples(st.integers(0, 0x1FFFFFFF), st.booleans()).map(
    lambda key: (key[0] if key[1] else key[0] & 0x7FF, key[1])
)


@given(st.lists(IDENTIFIERS, max_size=60))
@settings(deadline=None)
def test_every_identifier_is_found_once(keys: list[tuple[int, bool]]) -> None:
    trace = recording([Frame(b"", identifier, is_extended) for identifier, is_extended in keys])
    assert trace.streams.data_identifiers() == sorted(set(keys), key=lambda key: (key[1], key[0]))


def test_error_records_and_remote_frames_bear_no_identifier_here() -> None:
    frames = [Frame(b"", 5, kind=Kind.ERROR), Frame(b"", 6, kind=Kind.REMOTE), Frame(b"", 7)]
    assert recording(frames).streams.data_identifiers() == [(7, False)]


@pytest.mark.parametrize(
    ("identifier", "group"),
    # Regulation (EU) 2016/799, Annex I C, Appendix 8: PDU2 groups of one byte pair; an address claim is global.
    [(0x0CFE6CEE, 0xFE6C), (0x18FEF100, 0xFEF1), (0x18EEFF21, 0xEE00), (0x18EA21F9, 0xEA00)],
)
def test_parameter_groups(identifier: int, group: int) -> None:
    assert parameter_group(identifier) == group


@pytest.mark.parametrize(
    ("own", "other", "kind"),
    [
        ((0x123, False), (0x133, False), "digit"),
        ((0x123, False), (0x132, False), "digit"),
        ((0x123, False), (0x123, True), "format"),
        ((0x18FEF100, True), (0x18FEF121, True), "source-address"),
        ((0x201, False), (201, False), "hexadecimal"),
        ((0x123, False), (0x245, False), None),
    ],
)
def test_near_misses(own: tuple[int, bool], other: tuple[int, bool], kind: str | None) -> None:
    found = near_misses([own], {other: 8})
    assert found == ({own: (kind, other)} if kind else {})


def test_two_identifiers_one_digit_apart_say_nothing() -> None:
    assert near_misses([(0x123, False)], {(0x133, False): 8, (0x143, False): 8}) == {}


@given(st.integers(1, 64).flatmap(lambda length: st.lists(st.binary(min_size=length, max_size=length), min_size=1)))
@settings(deadline=None)
def test_moved_bits_are_those_that_differ_somewhere(payloads: list[bytes]) -> None:
    trace = recording([Frame(payload) for payload in payloads])
    rows = np.arange(len(payloads))
    numbers = [int.from_bytes(payload, "little") for payload in payloads]
    expected = 0
    for number in numbers:
        expected |= number ^ numbers[0]
    words = trace.words
    assert moved_bits(trace.payload, words, rows) == expected
    first = next((row for row, number in enumerate(numbers) if number != numbers[0]), -1)
    assert first_move(trace.payload, words, rows, expected) == first


def compared(payloads: list[bytes], *signals: SignalDefinition, is_extended: bool = False) -> DefinitionEvidence:
    message = Message("M", 0x123, is_extended=is_extended, length=8, signals=signals)
    return definition_evidence(
        recording([Frame(one, is_extended=is_extended) for one in payloads]), Database((message,))
    )


@pytest.mark.parametrize(
    ("length", "raw", "kind"),
    # Regulation (EU) 2016/799, Annex I C, Appendix 8, Table 38: error FE, FE00-FEFF, FE000000-FEFFFFFF, not available
    # FF, FF00-FFFF, FF000000-FFFFFFFF; valid up to FA, FAFF, FAFFFFFF.
    [
        (8, 0xFA, None),
        (8, 0xFE, "error"),
        (8, 0xFF, "not-available"),
        (16, 0xFAFF, None),
        (16, 0xFE00, "error"),
        (16, 0xFEFF, "error"),
        (16, 0xFF00, "not-available"),
        (16, 0xFFFF, "not-available"),
        (32, 0xFAFFFFFF, None),
        (32, 0xFE000000, "error"),
        (32, 0xFF000000, "not-available"),
        (32, 0xFFFFFFFF, "not-available"),
    ],
)
def test_the_ranges_of_error_and_not_available(length: int, raw: int, kind: str | None) -> None:
    greatest = 0xFAFFFFFF >> (32 - length)
    signal = SignalDefinition("S", 8, length, minimum=0, maximum=greatest)
    payloads = [bytes(8), (raw << 8).to_bytes(8, "little")]
    found = compared(payloads, signal, is_extended=True).odd_values
    assert [each.kind for each in found] == ([kind] if kind else [])
    in_base_frames = compared(payloads, signal).odd_values
    assert [each.kind for each in in_base_frames] == (["range"] if kind else [])


def test_a_scaled_range_is_that_of_the_values() -> None:
    signal = SignalDefinition("S", 0, 8, is_signed=True, scale=-0.5, offset=10, minimum=0, maximum=20)
    found = compared([bytes([raw]) + bytes(7) for raw in (20, 236, 0)], signal).odd_values
    assert found == ()
    (odd,) = compared([bytes([raw]) + bytes(7) for raw in (21, 235)], signal).odd_values
    assert (odd.least, odd.greatest, odd.count) == (-0.5, 20.5, 2)


def test_a_value_without_a_text_is_odd_only_where_all_others_have_one() -> None:
    whole = SignalDefinition("S", 0, 3, table={0: "off", 1: "on", 2: "error"})
    special = SignalDefinition("S", 0, 8, table={254: "error", 0: "none"})
    payloads = [bytes([raw]) + bytes(7) for raw in (0, 1, 5)]
    (odd,) = compared(payloads, whole).odd_values
    assert (odd.kind, odd.count, odd.least) == ("table", 1, 5)
    assert compared(payloads, special).odd_values == ()


def test_a_float_that_is_no_number_is_outside_its_range() -> None:
    signal = SignalDefinition("S", 0, 32, is_float=True, minimum=0, maximum=1)
    payloads = [np.float32(value).tobytes() + bytes(4) for value in (0.5, np.nan)]
    (odd,) = compared(payloads, signal).odd_values
    assert odd.count == 1


def test_a_page_that_never_moved_is_still() -> None:
    page = SignalDefinition("Page", 0, 8, is_multiplexer=True)
    still = SignalDefinition("Still", 8, 8, multiplexer="Page", pages=((0, 0),))
    moving = SignalDefinition("Moving", 8, 8, multiplexer="Page", pages=((1, 1),))
    payloads = [bytes([row % 2, row if row % 2 else 9]) + bytes(6) for row in range(60)]
    assert [each.path for each in compared(payloads, page, still, moving).still] == ["M.Still"]


def test_a_motorola_number_read_as_intel_smells_of_it() -> None:
    payloads = [(1000 + 3 * row).to_bytes(2, "big") + bytes(6) for row in range(300)]
    (found,) = compared(payloads, SignalDefinition("S", 0, 16)).swapped
    assert found.ratio > 100
    assert found.jumps > 250
    assert compared(payloads, SignalDefinition("S", 7, 16, "motorola")).swapped == ()


def test_random_bytes_smell_of_nothing() -> None:
    chance = np.random.default_rng(7)
    payloads = [chance.bytes(8) for _ in range(500)]
    signals = [SignalDefinition(f"S{place}", 16 * place, 16) for place in range(4)]
    assert compared(payloads, *signals).swapped == ()


def test_without_a_database_there_is_nothing_to_compare() -> None:
    found = definition_evidence(recording([Frame(b"\1")]), Database())
    assert (found.messages, found.unlisted, found.unseen) == (0, (), ())
