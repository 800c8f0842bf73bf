from __future__ import annotations

from dataclasses import replace

import pytest

from canlens import discover
from canlens.discovery import place_words
from canlens.reports.discovery_text import discovery_text
from canlens.reports.layout import display_width
from canlens.results.discover import DiscoveryResult, Place
from canlens.wording import chance_words
from tests.unit.small_sessions import Follows, Slots, cyclic, noise, recorded

SLOTS = Slots("..H.HH...H..H...H..H.H.." * 4)


@pytest.fixture(scope="module")
def result() -> DiscoveryResult:
    horn = [cyclic(each, Follows(SLOTS.spans("H"), 2, 4), end_s=SLOTS.end_s) for each in range(0x100, 0x109)]
    return discover(recorded(*noise(2, end_s=SLOTS.end_s)[:3], *horn), SLOTS.marks()).result


def test_many_slots_go_on_in_a_second_row_of_ticks(result: DiscoveryResult) -> None:
    rows = [line for line in discovery_text(result).splitlines() if line.startswith("operated")]
    ticks = "".join(line.split()[-1] for line in rows)
    assert len(rows) == 2
    assert [each == "█" for each in ticks] == [letter == "H" for letter in SLOTS.letters]


def test_mirrors_are_listed_and_the_rest_of_many_is_counted(result: DiscoveryResult) -> None:
    text = " ".join(discovery_text(result).split())
    assert "The same in every slot: 0x101, byte 2, bit 4, on = 1;" in text
    assert "and 2 more" in text


def test_a_console_of_plain_ascii_shows_all_within_80_columns(result: DiscoveryResult) -> None:
    text = discovery_text(result, encoding="ascii")
    assert text.isascii()
    assert max(map(display_width, text.splitlines())) <= 80
    assert "operated    ..#.##...#" in text


def test_the_offset_is_told_with_its_uncertainty(result: DiscoveryResult) -> None:
    moved = replace(result.marks, offset_source="estimated", offset_s=-3.25, offset_uncertainty_s=0.4, scatter_s=0.9)
    text = " ".join(discovery_text(replace(result, marks=moved)).split())
    assert "must be moved by -3.25 s ± 0.40 s" in text
    assert "lie off by about 0.90 s" in text
    assert "taken as written" in discovery_text(result)


def test_fields_that_change_by_themselves_are_listed(result: DiscoveryResult) -> None:
    text = discovery_text(result)
    assert "FIELDS THAT CHANGE BY THEMSELVES" in text
    assert "counters" in text


@pytest.mark.parametrize(
    ("start_bit", "length", "order", "on", "above", "below", "words"),
    [
        (20, 1, "intel", 1, None, None, "0x12, byte 2, bit 4, on = 1"),
        (22, 2, "intel", 3, None, None, "0x12, byte 2, bits 6 to 7, on = 3"),
        (16, 8, "intel", 7, None, None, "0x12, byte 2, on = 7"),
        (16, 8, "intel", None, 99, None, "0x12, byte 2, above 99"),
        (16, 16, "motorola", None, None, 50, "0x12, bytes 2 and 1, below 50"),
    ],
)
def test_a_place_is_told_by_byte_and_bit(
    start_bit: int, length: int, order: str, on: int | None, above: int | None, below: int | None, words: str
) -> None:
    plain = Place("0x12", False, "can0", start_bit, length, "intel", on, above, below, None, None)
    place = replace(plain, byte_order="motorola") if order == "motorola" else plain
    assert place_words(place) == words


def test_a_chance_is_told_as_one_in_so_many_searches() -> None:
    assert chance_words(1 / 2400) == "once in 2400 searches"
    assert chance_words(0.25) == "in 25 % of searches"
    assert chance_words(0.0) == "less than once in a million searches"
