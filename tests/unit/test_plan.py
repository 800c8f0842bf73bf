"""A whole plan, read into the nouns: every key has its place, every default its value."""

from __future__ import annotations

import pickle
import tomllib
from typing import TYPE_CHECKING

import jsonschema
import pytest

from canlens.plan import (
    Bus,
    Condition,
    Control,
    Controller,
    Output,
    Plan,
    SignalReference,
    parse_rule,
    plan_schema,
    read_plan,
)
from canlens.plan.nouns import DEFAULT_MIN_EXERCISES, DEFAULT_WITHIN_S
from tests.unit.sample_plan import COLD_STORE_VAN, DATABASE, loaded, written

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.database import Database
    from canlens.plan import Rule

CONTROLS = ("buzzer", "tailgate", "dim", "key", "frost")
SMALLEST = """
[bus]
database = "dash.dbc"
[controls.key]
signal = "Dash.Key"
[outputs.fan]
when = "key"
"""


@pytest.fixture(name="van")
def van_fixture(tmp_path: Path) -> Plan:
    return loaded(tmp_path)


def reference(path: str) -> SignalReference:
    found = DATABASE.find(path)
    assert found is not None
    return SignalReference(path, *found)


def rule(text: str) -> Rule:
    return parse_rule(text, CONTROLS)


def test_title_bus_and_controller_are_read(van: Plan, tmp_path: Path) -> None:
    assert van.title == "Harbour cold-store van, rear box"
    assert van.file == str(tmp_path / "van.toml")
    assert van.min_exercises == 4
    assert van.database is DATABASE
    assert van.bus == Bus(
        bit_rate=125_000, data_bit_rate=1_000_000, channel="vcan3", awake_while="key", quiet_after_s=12.0
    )
    assert van.controller == Controller("RearBox", supply=reference("RearSupply.Volts"), supply_min_v=10.5)


def test_controls_stand_in_file_order_with_their_conditions(van: Plan) -> None:
    assert list(van.controls.items()) == [
        ("buzzer", Control("buzzer", Condition(reference("Dash.Buzzer"), unknown=(2, 3)))),
        (
            "tailgate",
            Control(
                "tailgate",
                Condition(reference("Dash.TailGate"), on_values=(2.0,), on_raw=(1, 3)),
                min_exercises=2,
            ),
        ),
        (
            "dim",
            Control(
                "dim",
                Condition(reference("Dash.Daylight"), below=20.0),
                noticed=Condition(reference("RearInputs.DimSeen")),
            ),
        ),
        ("key", Control("key", Condition(reference("Dash.Key"), on_raw=(2,)), min_exercises=1)),
        ("frost", Control("frost", Condition(reference("Dash.Outside"), above=-2.5))),
    ]


def test_an_output_keeps_everything_that_is_said_of_it(van: Plan) -> None:
    assert van.outputs["bell"] == Output(
        "bell",
        rule("buzzer AND NOT tailgate"),
        load="reversing bell",
        terminal="block 2, screw 7",
        safety="horn",
        command=Condition(reference("RearState.Out1"), unknown=(3,)),
        within_s=0.25,
        min_exercises=6,
        current=reference("RearAmps.Out1"),
        voltage=reference("RearVolts.Out1"),
        continuous_a=4.0,
        peak_a=9.5,
        peak_s=2.0,
        load_a=3.1,
    )


def test_timer_tolerances_are_the_larger_of_half_a_second_and_five_percent(van: Plan) -> None:
    fan = van.outputs["fan"]
    assert (fan.run_on_s, fan.run_on_tolerance_s) == (40.0, 2.0)
    assert (fan.cut_after_s, fan.cut_after_tolerance_s) == (900.0, 45.0)
    assert fan.command == Condition(reference("RearState.FanSpeed"), above=10.0)


def test_timer_tolerances_are_as_given(van: Plan) -> None:
    ramp = van.outputs["ramp"]
    assert ramp.when == rule("tailgate or (frost and key)")
    assert (ramp.run_on_s, ramp.run_on_tolerance_s) == (6.0, 0.2)
    assert (ramp.cut_after_s, ramp.cut_after_tolerance_s) == (8.0, 3.0)
    assert ramp.command is None


def test_the_default_tolerance_of_a_short_timer_is_half_a_second(tmp_path: Path) -> None:
    fan = loaded(tmp_path, SMALLEST + "run_on_s = 4\ncut_after_s = 10\n").outputs["fan"]
    assert (fan.run_on_tolerance_s, fan.cut_after_tolerance_s) == (0.5, 0.5)


def test_an_output_without_command_is_judged_by_its_level(van: Plan) -> None:
    strip = van.outputs["strip"]
    assert strip.command == Condition(reference("RearState.Strip"), above=0.0)
    assert strip.level == reference("RearState.Strip")
    assert (strip.level_day, strip.level_night, strip.level_tolerance) == (90.0, 25.0, 2.5)
    assert (strip.night, strip.flash_when, strip.flash_hz) == ("dim", rule("buzzer"), 2.5)
    assert strip.flash_tolerance_hz == 0.5


def test_a_condition_beside_a_level_says_when_the_level_is_on(van: Plan) -> None:
    beacon = van.outputs["beacon"]
    assert beacon.command == Condition(reference("RearState.Strip"), on_values=(40.0,))
    assert (beacon.flash_hz, beacon.flash_tolerance_hz) == (1.5, 0.1)
    assert beacon.level_tolerance == 5.0


def test_the_smallest_plan_has_all_defaults(tmp_path: Path) -> None:
    plan = loaded(tmp_path, SMALLEST)
    assert plan.title == "van"
    assert plan.min_exercises == DEFAULT_MIN_EXERCISES == 3
    assert (plan.bus, plan.controller) == (Bus(), Controller())
    assert plan.controls == {"key": Control("key", Condition(reference("Dash.Key")))}
    assert plan.outputs == {"fan": Output("fan", rule("key"), within_s=DEFAULT_WITHIN_S)}


def test_the_word_of_the_output_counts_before_that_of_the_control_and_of_the_plan(van: Plan) -> None:
    assert van.exercises_needed(van.outputs["bell"], "tailgate") == 6
    assert van.exercises_needed(van.outputs["ramp"], "tailgate") == 2
    assert van.exercises_needed(van.outputs["ramp"], "frost") == 4


def test_databases_are_looked_for_beside_the_plan(tmp_path: Path) -> None:
    asked: list[list[Path]] = []

    def read(paths: list[Path] | dict[str, list[Path]]) -> Database:
        assert isinstance(paths, list)
        asked.append(paths)
        return DATABASE

    read_plan(written(tmp_path), read_database=read)
    read_plan(written(tmp_path, SMALLEST), read_database=read)
    assert asked == [[tmp_path / "dash.dbc", tmp_path / "box" / "rear.dbc"], [tmp_path / "dash.dbc"]]


def test_a_run_on_of_0_is_no_run_on(tmp_path: Path) -> None:
    fan = loaded(tmp_path, SMALLEST + "run_on_s = 0\n").outputs["fan"]
    assert (fan.run_on_s, fan.run_on_tolerance_s) == (None, 0.0)


def test_a_decimal_value_of_on_becomes_the_value_that_decoding_gives(tmp_path: Path) -> None:
    text = SMALLEST.replace('"Dash.Key"', '"RearAmps.Out1"\non = [0.3, 1.2]')
    condition = loaded(tmp_path, text).controls["key"].condition
    assert condition.on_values == (3 * 0.1, 12 * 0.1)  # 0.30000000000000004, as raw × scale gives it


def test_a_plan_may_begin_with_a_byte_order_mark_and_have_lines_of_windows(tmp_path: Path) -> None:
    file = written(tmp_path)
    file.write_bytes(b"\xef\xbb\xbf" + COLD_STORE_VAN.replace("\n", "\r\n").encode())
    plan = read_plan(file, read_database=lambda _: DATABASE)
    assert plan == loaded(tmp_path)


def test_a_plan_travels(van: Plan) -> None:
    assert pickle.loads(pickle.dumps(van)) == van  # noqa: S301  # our own bytes


@pytest.mark.parametrize("text", [COLD_STORE_VAN, SMALLEST])
def test_good_plans_fit_the_published_schema(text: str) -> None:
    jsonschema.Draft202012Validator(plan_schema()).validate(tomllib.loads(text))


@pytest.mark.parametrize(
    "change",
    ["within_s = -1", "within_s = true", "witin_s = 1", 'safety = "lamp"', "[outputs.x]", "[controls.x]"],
)
def test_wrong_plans_do_not_fit_the_published_schema(change: str) -> None:
    schema = jsonschema.Draft202012Validator(plan_schema())
    assert schema.is_valid(tomllib.loads(SMALLEST))
    assert not schema.is_valid(tomllib.loads(SMALLEST + change))
