"""What a discovery named, as a DBC that other programs read alike, and as a plan."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import cantools
import pytest

from canlens import read_database, read_plan
from canlens.database import Database, Message, SignalDefinition
from canlens.results.discover import ControlDiscovery, DiscoveryResult, Dropped, FoundPlace, MarksResult, Place
from canlens.writing import found_bits, found_dbc_text, found_plan_text
from tests.unit.sample_results import RECORDING

if TYPE_CHECKING:
    from pathlib import Path

PLACE: dict[str, Any] = {
    "identifier": "0x1a2",
    "is_extended": False,
    "channel": "can0",
    "start_bit": 6,
    "length": 1,
    "byte_order": "intel",
    "on": 1,
    "above": None,
    "below": None,
    "message": None,
    "known": None,
}


def candidate(**changes: Any) -> FoundPlace:
    """Return a place that was named."""
    own: dict[str, Any] = {
        "kind": "bit",
        "answered": 8,
        "stray": 0,
        "chance": 1e-6,
        "single_chance": 1e-9,
        "shift_chance": None,
        "latency_s": 0.04,
        "latency_max_s": 0.1,
        "mirrors": (Place(**PLACE | {"start_bit": 20}),),
        "ticks": (True, False),
        "lines": (3, 9),
        "cycle_time_s": 0.0502,
        "payload_length": 4,
        "is_fd": False,
        "off": 0,
    }
    return FoundPlace(**PLACE | own | changes)


def control(*candidates: FoundPlace, **changes: Any) -> ControlDiscovery:
    """Return a control for which these places were found."""
    row = ControlDiscovery(
        exercises=8,
        rests=16,
        others=0,
        named=bool(candidates),
        strength="exact",
        reason='0x1a2, byte 0: on and off in 8 of 8 – "all" of them \\ done.',
        next_step="Confirm it.",
        more_exercises=None,
        candidates=candidates,
        levels=(),
        slots=(),
        dropped=Dropped((), (), (), ()),
    )
    return replace(row, **changes)


def result(**controls: ControlDiscovery) -> DiscoveryResult:
    """Return a discovery of these controls."""
    marks = MarksResult(
        file="marks.csv",
        exercises=8,
        rests=16,
        outside=0,
        counted_from="stamps",
        offset_s=0.0,
        offset_uncertainty_s=None,
        offset_source="as-written",
        scatter_s=None,
    )
    return DiscoveryResult("named", "All.", RECORDING, marks, 100, 200, 0, controls)


def loaded(folder: Path, discovery: DiscoveryResult, known: Database | None = None) -> tuple[Any, Database]:
    """Write the DBC and read it with cantools, strictly, and with our own reader."""
    file = folder / "found.dbc"
    file.write_text(found_dbc_text(found_bits(discovery, known)), "utf-8")
    database = read_database(file)
    assert database.problems == ()
    return cantools.database.load_file(str(file), strict=True), database


def test_a_named_bit_stands_in_the_dbc_with_what_speaks_for_it(tmp_path: Path) -> None:
    theirs, ours = loaded(tmp_path, result(horn=control(candidate())))
    (message,) = theirs.messages
    (signal,) = message.signals
    assert (message.name, message.frame_id, message.length, message.cycle_time) == ("Found_1A2", 0x1A2, 4, 50)
    assert (signal.name, signal.start, signal.length) == ("horn", 6, 1)
    assert "8 of 8 - 'all' of them / done." in signal.comment
    assert "40 ms after the mark" in signal.comment
    assert "byte 2, bit 4" in signal.comment
    assert {raw: str(text) for raw, text in signal.choices.items()} == {0: "Off", 1: "On"}
    assert message.decode(b"\x40\0\0\0", decode_choices=False) == {"horn": 1}
    found = ours.find("Found_1A2.horn")
    assert found is not None
    assert found[0].cycle_time_s == pytest.approx(0.05)


def test_a_number_in_motorola_order_is_read_back_as_it_was_found(tmp_path: Path) -> None:
    """Least significant bit at byte 2, bit 4; 6 bits up: byte 2 bits 4-7, then byte 1 bits 0-1."""
    place = candidate(kind="field", start_bit=20, length=6, byte_order="motorola", on=0b10_1101, off=0)
    theirs, ours = loaded(tmp_path, result(gate=control(place)))
    (message,) = theirs.messages
    assert message.decode(bytes([0, 0b10, 0b1101_0000, 0]), decode_choices=False) == {"gate": 0b10_1101}
    found = ours.find("Found_1A2.gate")
    assert found is not None
    assert found[1].bits == 0b11 << 8 | 0b1111_0000 << 16


def test_two_bits_an_inverted_bit_and_long_identifiers_are_kept(tmp_path: Path) -> None:
    two = candidate(kind="field", start_bit=0, length=2, on=1, off=2)
    inverted = candidate(identifier="0x18ff4127", is_extended=True, on=0, off=1, payload_length=8)
    theirs, _ = loaded(tmp_path, result(horn=control(two), dusk=control(inverted)))
    short, long = theirs.messages
    assert [str(text) for _, text in sorted(short.signals[0].choices.items())] == ["On", "Off"]
    assert (long.frame_id, long.is_extended_frame, long.name) == (0x18FF4127, True, "Found_18FF4127")
    assert {raw: str(text) for raw, text in long.signals[0].choices.items()} == {0: "On", 1: "Off"}


def test_a_message_of_can_fd_keeps_its_size(tmp_path: Path) -> None:
    place = candidate(is_fd=True, payload_length=64, start_bit=500, cycle_time_s=None)
    theirs, ours = loaded(tmp_path, result(horn=control(place)))
    assert (theirs.messages[0].is_fd, theirs.messages[0].length, theirs.messages[0].cycle_time) == (True, 64, None)
    assert ours.messages[0].is_fd


def test_names_are_made_legal_and_unique(tmp_path: Path) -> None:
    rows = {
        name: control(candidate(start_bit=number))
        for number, name in enumerate(("horn-front", "horn_front", "4wd", "BO_", "---"))
    }
    theirs, _ = loaded(tmp_path, result(**rows))
    names = [signal.name for signal in theirs.messages[0].signals]
    assert names == ["horn_front", "horn_front_2", "_4wd", "BO__", "signal"]
    found = found_bits(result(**rows))
    assert [each.path for each in found.controls] == [f"Found_1A2.{name}" for name in names]


def test_what_overlaps_or_was_not_named_is_told_and_left_out(tmp_path: Path) -> None:
    rows = {"horn": control(candidate()), "wide": control(candidate(kind="field", start_bit=4, length=4, on=3)),
            "lost": control()}  # fmt: skip
    discovery = result(**rows)
    found = found_bits(discovery)
    assert [each.name for each in found.controls] == ["horn"]
    assert any("overlaps Found_1A2.horn" in each for each in found.left_out)
    assert "lost: not named, so it is left out." in found.left_out
    loaded(tmp_path, discovery)


def test_a_number_that_moves_with_a_control_stands_beside_it(tmp_path: Path) -> None:
    level = candidate(kind="level", start_bit=16, length=8, on=None, above=40, off=None)
    theirs, _ = loaded(tmp_path, result(brake=control(candidate(), levels=(level,))))
    assert [signal.name for signal in theirs.messages[0].signals] == ["brake", "brake_level"]
    unsure = replace(level, chance=0.2)
    assert len(found_bits(result(brake=control(candidate(), levels=(unsure,)))).messages[0].signals) == 1


KNOWN = Database(
    (
        Message("Grips", 0x1A2, is_extended=False, length=4, cycle_time_s=0.05, signals=(
            SignalDefinition("Horn", 6, 1, scale=2, offset=1),
            SignalDefinition("Speed", 16, 8, unit="km/h"),
        )),
    )
)  # fmt: skip


def test_what_the_known_database_covers_is_not_written_again() -> None:
    found = found_bits(result(horn=control(candidate(known="Grips.Horn", message="Grips"))), KNOWN)
    assert found.messages == ()
    (horn,) = found.controls
    assert (horn.path, horn.on, horn.is_known) == ("Grips.Horn", (3.0,), True)


@pytest.mark.parametrize(
    ("definition", "start_bit", "on", "values"),
    [
        (SignalDefinition("S", 6, 2), 6, 1, (1.0,)),
        (SignalDefinition("S", 5, 2), 6, 0, (0.0,)),
        (SignalDefinition("S", 6, 3, table={1: "On", 5: "Turbo", 7: "Fault", 0: "Off"}), 6, 1, (1.0, 5.0)),
        (SignalDefinition("S", 7, 2, "motorola"), 6, 1, (1.0,)),
        (SignalDefinition("S", 4, 8), 6, 1, ()),
        (SignalDefinition("S", 0, 2 + 7, "motorola", table={0: "Off", 64: "x"}), 14, 1, (64.0,)),
    ],
)
def test_a_bit_of_a_known_switch_is_told_by_the_values_of_its_table(
    definition: SignalDefinition, start_bit: int, on: int, values: tuple[float, ...]
) -> None:
    known = Database((Message("M", 0x1A2, is_extended=False, length=4, signals=(definition,)),))
    place = candidate(start_bit=start_bit, on=on, known="M.S", message="M")
    (found,) = found_bits(result(it=control(place)), known).controls
    assert (found.path, found.on) == (("M.S", values) if values else ("Found_1A2.it", (float(on),)))


def test_a_new_bit_of_a_known_message_stands_beside_its_signals(tmp_path: Path) -> None:
    theirs, ours = loaded(tmp_path, result(lever=control(candidate(start_bit=3, message="Grips"))), KNOWN)
    assert [(each.name, [signal.name for signal in each.signals]) for each in theirs.messages] == [
        ("Grips", ["lever", "Horn", "Speed"])  # by their bits, as cantools orders them
    ]
    assert theirs.messages[0].get_signal_by_name("Speed").unit == "km/h"
    assert ours.find("Grips.lever") is not None


def test_a_bit_inside_a_known_signal_gets_a_message_of_its_own(tmp_path: Path) -> None:
    place = candidate(start_bit=18, message="Grips", known="Grips.Speed")
    theirs, _ = loaded(tmp_path, result(lever=control(place)), KNOWN)
    assert [message.name for message in theirs.messages] == ["Found_1A2"]


def test_the_plan_can_be_read_and_says_when_each_control_is_on(tmp_path: Path) -> None:
    rows = {
        "horn": control(candidate()),
        "dusk": control(candidate(identifier="0x2b0", on=0, off=1)),
        "throttle": control(candidate(identifier="0x300", kind="level", start_bit=8, length=8, on=None, below=12)),
        "and": control(candidate(identifier="0x301")),
        "lost": control(),
    }
    discovery = result(**rows)
    loaded(tmp_path, discovery)
    text = found_plan_text(
        found_bits(discovery), databases=["found.dbc"], channel='can "0"\\', title='Tug "Ølga"\n\x7f'
    )
    (tmp_path / "plan.toml").write_text(text, "utf-8")
    plan = read_plan(tmp_path / "plan.toml")
    assert plan.title == 'Tug "Ølga"\n\x7f'
    assert plan.bus.channel == 'can "0"\\'
    conditions = {name: each.condition for name, each in plan.controls.items()}
    assert list(conditions) == ["horn", "dusk", "throttle"]
    assert conditions["horn"].on_values == (1.0,)
    assert conditions["dusk"].on_values == (0.0,)
    assert conditions["throttle"].below == 12
    assert "lost: not named" in text
    assert "# and: is a word of the rule language" in text


def test_nothing_named_gives_nothing() -> None:
    assert found_bits(result(horn=control())).controls == ()
