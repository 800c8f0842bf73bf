"""Plan keys that say in what way an output follows its rule, and what a plan says of wires, wakes and clocks."""

from __future__ import annotations

import io
import tomllib
from typing import TYPE_CHECKING

import pytest

from canlens.database import read_database
from canlens.plan import read_plan
from tests.unit.sample_plan import COLD_STORE_VAN, loaded, mistakes_of, the_mistake

if TYPE_CHECKING:
    from pathlib import Path

BELL = 'when = "buzzer AND NOT tailgate"'
NODE = 'node = "RearBox"'
KEYS = {
    "latch": True,
    "pulse_s": 2.5,
    "min_on_s": 3.0,
    "delay_s": 1.5,
    "off_within_s": 2.0,
    "soft_s": 0.8,
    "retries": 3,
    "self_switching": True,
    "off_below_v": 11.2,
}


@pytest.mark.parametrize("key", KEYS)
def test_a_key_of_an_output_is_read(tmp_path: Path, key: str) -> None:
    text = f"{KEYS[key]}".lower()
    assert tomllib.loads(f"{key} = {text}") == {key: KEYS[key]}
    plan = loaded(tmp_path, COLD_STORE_VAN.replace(BELL, f"{BELL}\n{key} = {text}"))
    assert getattr(plan.outputs["bell"], key) == KEYS[key]
    assert getattr(plan.outputs["fan"], key) in {None, False}


@pytest.mark.parametrize(
    ("written", "key", "expected"),
    [
        ("pulse_s = 0", "outputs.bell.pulse_s", "a time in seconds, above 0, 86400 at most"),
        ("min_on_s = -1", "outputs.bell.min_on_s", "a time in seconds, above 0, 86400 at most"),
        ("delay_s = inf", "outputs.bell.delay_s", "a time in seconds, above 0, 86400 at most"),
        ("off_within_s = 601", "outputs.bell.off_within_s", "a time in seconds, above 0, 600 at most"),
        ("soft_s = true", "outputs.bell.soft_s", "a time in seconds, above 0, 600 at most"),
        ("retries = 101", "outputs.bell.retries", "a whole number from 0 to 100"),
        ("retries = 1.5", "outputs.bell.retries", "a whole number from 0 to 100"),
        ("latch = 1", "outputs.bell.latch", "true or false"),
        ("off_below_v = 11200", "outputs.bell.off_below_v", "a voltage in volts, above 0, 100 at most"),
        ("latch = true\npulse_s = 2", "outputs.bell.pulse_s", "only one of latch, pulse_s, min_on_s, delay_s"),
    ],
)
def test_a_value_out_of_range_is_named(tmp_path: Path, written: str, key: str, expected: str) -> None:
    mistake = the_mistake(tmp_path, (BELL, f"{BELL}\n{written}"))
    assert (mistake.key, mistake.expected) == (key, expected)


def test_an_answer_time_in_milliseconds_asks_back(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("within_s = 0.25", "within_s = 250"))
    assert mistake.expected.endswith("10 at most (did you mean 0.3 s?)")


def test_a_low_supply_needs_a_supply(tmp_path: Path) -> None:
    text = COLD_STORE_VAN.replace('supply = "RearSupply.Volts"\nsupply_min_v = 10.5\n', "")
    (mistake,) = mistakes_of(tmp_path, text.replace(BELL, f"{BELL}\noff_below_v = 11"))
    assert (mistake.key, mistake.expected) == ("outputs.bell.off_below_v", "the key supply in [controller]")


def test_start_and_lamp_test_are_read(tmp_path: Path) -> None:
    plan = loaded(tmp_path, COLD_STORE_VAN.replace(NODE, f"{NODE}\nstart_s = 1.5\nlamp_test_s = 2"))
    assert (plan.controller.start_s, plan.controller.lamp_test_s, plan.controller.settles_s) == (1.5, 2.0, 3.5)


def test_hysteresis_and_wire_are_read(tmp_path: Path) -> None:
    text = COLD_STORE_VAN.replace("above = -2.5", "above = -2.5\noff_below = -4\nwired = true")
    plan = loaded(tmp_path, text.replace("below = 20\n", "below = 20\noff_above = 25\n"))
    frost, dim = plan.controls["frost"], plan.controls["dim"]
    assert (frost.condition.off_below, frost.wired) == (-4.0, True)
    assert (dim.condition.off_above, dim.wired) == (25.0, False)


@pytest.mark.parametrize(
    ("before", "after", "key", "expected"),
    [
        ("above = -2.5", "above = -2.5\noff_below = 3", "controls.frost.off_below", "at most what above says (-2.5)"),
        ("below = 20", "below = 20\noff_above = 3", "controls.dim.off_above", "at least what below says (20)"),
        ("below = 20", "below = 20\noff_below = 3", "controls.dim.off_below", "the key above beside it"),
        ('on = "Drive"', 'on = "Drive"\noff_above = 3', "controls.key.off_above", "the key below beside it"),
    ],
)
def test_a_hysteresis_goes_back_the_right_way(tmp_path: Path, before: str, after: str, key: str, expected: str) -> None:
    mistake = the_mistake(tmp_path, (before, after))
    assert (mistake.key, mistake.expected) == (key, expected)


def test_who_may_wake_and_whose_clock_is_ahead_are_read(tmp_path: Path) -> None:
    text = COLD_STORE_VAN.replace(
        "\n[controller]", 'may_wake = ["tailgate"]\n[bus.clock_offset_s]\nvcan3 = -0.8\n[controller]'
    )
    plan = loaded(tmp_path, text)
    assert (plan.bus.may_wake, plan.bus.clock_offset_s) == (("tailgate",), {"vcan3": -0.8})


def test_only_a_control_may_wake(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("\n[controller]", 'may_wake = ["tailgte"]\n[controller]'))
    assert (mistake.key, mistake.found, mistake.close) == ("bus.may_wake", "'tailgte'", ("tailgate",))


def test_a_clock_is_ahead_by_a_number_of_seconds(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("\n[controller]", '[bus.clock_offset_s]\nvcan3 = "late"\n[controller]'))
    assert mistake.key == "bus.clock_offset_s.vcan3"
    assert mistake.expected.startswith("a table of channels, each with the seconds by which its clock is ahead")


CAB = """VERSION ""
BU_: Cab
BO_ 288 Dash: 8 Cab
 SG_ Horn : 0|2@1+ (1,0) [0|3] "" Box
 SG_ Fault : 2|1@1+ (1,0) [0|1] "" Box
 SG_ Level : 8|8@1+ (1,0) [0|255] "" Box
VAL_ 288 Horn 0 "Off" 1 "On" 2 "Error" 3 "SNA" ;
VAL_ 288 Fault 0 "no fault" 1 "fault" ;
"""
TRAILER = """VERSION ""
BU_: Trailer
BO_ 288 Trailer0: 8 Trailer
 SG_ Lamp : 0|2@1+ (1,0) [0|3] "" Box
"""
PLAN = """[bus]
database = ["{0}", "{1}"]
[controls.horn]
signal = "Dash.Horn"
{2}
[outputs.siren]
when = "horn"
"""


def cab_plan(folder: Path, *, first: str = "cab.dbc", second: str = "trailer.dbc", more: str = "") -> Path:
    for name, text in (("cab.dbc", CAB), ("trailer.dbc", TRAILER)):
        (folder / name).write_text(text, encoding="utf-8")
    file = folder / "plan.toml"
    file.write_text(PLAN.format(first, second, more), encoding="utf-8")
    return file


@pytest.mark.parametrize("names", [("cab.dbc", "trailer.dbc"), ("trailer.dbc", "cab.dbc")])
def test_a_signal_is_found_in_either_database(tmp_path: Path, names: tuple[str, str]) -> None:
    plan = read_plan(cab_plan(tmp_path, first=names[0], second=names[1]))
    assert plan.controls["horn"].condition.reference.message.name == "Dash"
    assert plan.database.with_identifier(288, is_extended=False) == plan.controls["horn"].condition.reference.message
    assert [each.name for each in plan.database.set_aside] == ["Trailer0"]


@pytest.mark.parametrize(
    ("more", "unknown"),
    [("", (2, 3)), ("unknown = [3]", (3, 2)), ('on = ["On", "Error"]', (3,)), ("on = [1, 3]", (2,))],
)
def test_what_the_value_table_calls_invalid_is_unknown(tmp_path: Path, more: str, unknown: tuple[int, ...]) -> None:
    assert read_plan(cab_plan(tmp_path, more=more)).controls["horn"].condition.unknown == unknown


def test_a_table_of_faults_says_what_it_says(tmp_path: Path) -> None:
    file = cab_plan(tmp_path)
    file.write_text(file.read_text("utf-8").replace("Dash.Horn", "Dash.Fault"), encoding="utf-8")
    assert read_plan(file).controls["horn"].condition.unknown == ()


def test_what_looks_invalid_is_told_of_a_signal() -> None:
    horn, fault, level = read_database(io.StringIO(CAB)).messages[0].signals
    assert (horn.invalid_raw, fault.invalid_raw, level.invalid_raw) == ({2, 3}, {0, 1}, {255})
