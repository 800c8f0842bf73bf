"""Keys of a plan that are wrong, unknown, missing, or without the key that they need."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.errors import Mistake, PlanError
from tests.unit.sample_plan import COLD_STORE_VAN, loaded, mistakes_of, the_mistake

if TYPE_CHECKING:
    from pathlib import Path


PATH = "a signal of the databases, MESSAGE.SIGNAL"
RULE = "a rule: the names of controls, 'and', 'or', 'not' and parentheses"
ON = "a value of the signal, a text of its value table, or a list of those"
RAW = "a list of raw values (whole numbers)"
TIME = "a time in seconds, above 0, 10 at most (did you mean 0.3 s?)"
LONG = "a time in seconds, above 0, a year at most"
AMPS = "a current in amperes, above 0, 2000 at most"
TIMES = "a whole number, 1 or more"
KEY_TABLE = '[controls.key]\nsignal = "Dash.Key"\non = "Drive"\nmin_exercises = 1'
FAN_TABLE = '[outputs.fan]\nwhen = "key"\ncommand = "RearState.FanSpeed"\nabove = 10'


@pytest.mark.parametrize(
    ("before", "after", "key", "expected", "found"),
    [
        ("within_s = 0.25", "within_s = -0.25", "outputs.bell.within_s", TIME, "-0.25"),
        ("within_s = 0.25", "within_s = 0", "outputs.bell.within_s", TIME, "0"),
        ("within_s = 0.25", "within_s = nan", "outputs.bell.within_s", TIME, "nan"),
        ("within_s = 0.25", "within_s = inf", "outputs.bell.within_s", TIME, "inf"),
        ("within_s = 0.25", "within_s = 1e300", "outputs.bell.within_s", TIME, "1e+300"),
        ("within_s = 0.25", "within_s = true", "outputs.bell.within_s", TIME, "true"),
        ("within_s = 0.25", 'within_s = "1 s"', "outputs.bell.within_s", TIME, "'1 s'"),
        ("within_s = 0.25", "within_s = [1]", "outputs.bell.within_s", TIME, "a list"),
        ("within_s = 0.25", "within_s = 07:32:00", "outputs.bell.within_s", TIME, "07:32:00"),
        (
            "run_on_s = 40",
            "run_on_s = -1",
            "outputs.fan.run_on_s",
            "a time in seconds, 0 or more, a year at most",
            "-1",
        ),
        ("cut_after_s = 900", "cut_after_s = 0", "outputs.fan.cut_after_s", LONG, "0"),
        ("level_day = 90", "level_day = inf", "outputs.strip.level_day", "a number", "inf"),
        ("level_day = 90", f"level_day = {10**400}", "outputs.strip.level_day", "a number", "a very long number"),
        ("above = -2.5", 'above = "-2.5"', "controls.frost.above", "a number", "'-2.5'"),
        ("below = 20", "below = false", "controls.dim.below", "a number", "false"),
        ("min_exercises = 4", "min_exercises = 0", "min_exercises", TIMES, "0"),
        ("min_exercises = 4", "min_exercises = 2.0", "min_exercises", TIMES, "2.0"),
        ("min_exercises = 6", "min_exercises = true", "outputs.bell.min_exercises", TIMES, "true"),
        ("load_a = 3.1", "load_a = 0", "outputs.bell.load_a", AMPS, "0"),
        ("load_a = 3.1", 'load_a = "3,1"', "outputs.bell.load_a", AMPS, "'3,1'"),
        ("unknown = [2, 3]", "unknown = 3", "controls.buzzer.unknown", RAW, "3"),
        ("unknown = [2, 3]", "unknown = [2.5]", "controls.buzzer.unknown", RAW, "2.5"),
        ('safety = "horn"', 'safety = "klaxon"', "outputs.bell.safety", "'horn' or 'stop-lamp'", "'klaxon'"),
        ('load = "reversing bell"', "load = 5", "outputs.bell.load", "a text", "5"),
        ('signal = "Dash.Buzzer"', "signal = 1", "controls.buzzer.signal", PATH, "1"),
        ('signal = "Dash.Buzzer"', "", "controls.buzzer.signal", PATH, "nothing"),
        ('on = "Drive"', "on = true", "controls.key.on", ON, "true"),
        ('on = "Drive"', "on = [2, true]", "controls.key.on", ON, "true"),
        ('on = "Drive"', "on = []", "controls.key.on", ON, "an empty list"),
        (KEY_TABLE, "[controls]\nkey = 5", "controls.key", "a table [controls.NAME] for each control", "5"),
        (FAN_TABLE, "[outputs.fan]", "outputs.fan.when", RULE, "nothing"),
    ],
)
def test_a_wrong_value_is_named_with_its_key(
    tmp_path: Path, before: str, after: str, key: str, expected: str, found: str
) -> None:
    assert the_mistake(tmp_path, (before, after)) == Mistake(key, expected, found)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("bit_rate", "0"),
        ("bit_rate", "1_000_001"),
        ("bit_rate", "125.0"),
        ("bit_rate", "125"),
        ("bit_rate", "true"),
        ("data_bit_rate", "-1"),
        ("data_bit_rate", "8_000_001"),
    ],
)
def test_a_bit_rate_is_a_whole_number_of_bits_a_second(tmp_path: Path, key: str, value: str) -> None:
    before = {"bit_rate": "\nbit_rate = 125_000", "data_bit_rate": "\ndata_bit_rate = 1_000_000"}[key]
    mistake = the_mistake(tmp_path, (before, f"\n{key} = {value}"))
    assert (mistake.key, mistake.found) == (f"bus.{key}", value.replace("_", ""))
    assert mistake.expected.startswith("a whole number of bit/s (not kbit/s) from 1000 to ")


@pytest.mark.parametrize(
    ("before", "after", "key", "found", "close"),
    [
        ("within_s =", "witin_s =", "outputs.bell.witin_s", "the key 'witin_s'", "within_s"),
        ("bit_rate = 125_000", "bitrate = 125_000", "bus.bitrate", "the key 'bitrate'", "bit_rate"),
        ('node = "RearBox"', 'nodes = "RearBox"', "controller.nodes", "the key 'nodes'", "node"),
        ("below = 20", "Below = 20", "controls.dim.Below", "the key 'Below'", "below"),
        ('title = "', 'titel = "', "titel", "the key 'titel'", "title"),
    ],
)
def test_an_unknown_key_comes_with_close_names(
    tmp_path: Path, before: str, after: str, key: str, found: str, close: str
) -> None:
    mistake = the_mistake(tmp_path, (before, after))
    assert (mistake.key, mistake.expected, mistake.found) == (key, "a key that is known here", found)
    assert mistake.close[0] == close


def test_a_key_in_the_wrong_table_is_sent_where_it_belongs(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("min_exercises = 4", 'min_exercises = 4\nchannel = "can1"'))
    assert mistake.key == "channel"
    assert mistake.found == "the key 'channel', which belongs in [bus]"
    assert mistake.expected == "one of title, min_exercises, bus, controller, controls, outputs"
    mistake = the_mistake(tmp_path, ('channel = "vcan3"', "peak_s = 3"))
    assert mistake.found == "the key 'peak_s', which belongs in [outputs.NAME]"


@pytest.mark.parametrize(
    ("text", "key", "kind"),
    [
        ('[bus]\ndatabase = "dash.dbc"\n[outputs.fan]\nwhen = "key"\n', "controls", "control"),
        ('[bus]\ndatabase = "dash.dbc"\n[controls.key]\nsignal = "Dash.Key"\n', "outputs", "output"),
    ],
)
def test_a_plan_without_controls_or_outputs_is_none(tmp_path: Path, text: str, key: str, kind: str) -> None:
    expected = f"a table [{key}.NAME] for each {kind}"
    assert mistakes_of(tmp_path, text) == (Mistake(key, expected, "nothing"),)
    assert mistakes_of(tmp_path, f"{text}\n[{key}]") == (Mistake(key, expected, "an empty table"),)
    assert mistakes_of(tmp_path, f"{key} = 3\n{text}") == (Mistake(key, expected, "3"),)
    assert mistakes_of(tmp_path, f"{text}\n[[{key}]]\nload = 3") == (Mistake(key, expected, "a list"),)


def test_an_empty_plan_lacks_bus_controls_and_outputs(tmp_path: Path) -> None:
    assert [mistake.key for mistake in mistakes_of(tmp_path, "")] == ["bus", "controls", "outputs"]


@pytest.mark.parametrize(
    ("added", "key", "found"),
    [
        ("above = 1", "controls.key.above", "on and above"),
        ("below = 1", "controls.key.below", "on and below"),
        ("above = 1\nbelow = 2", "controls.key.above", "on and above and below"),
    ],
)
def test_only_one_of_on_above_and_below_may_stand(tmp_path: Path, added: str, key: str, found: str) -> None:
    mistake = the_mistake(tmp_path, ('on = "Drive"', f'on = "Drive"\n{added}'))
    assert mistake == Mistake(key, "only one of on, above and below", found)


@pytest.mark.parametrize(
    ("before", "after", "key", "needed"),
    [
        ("peak_s = 2", "", "outputs.bell.peak_a", "peak_s"),
        ("peak_a = 9.5", "", "outputs.bell.peak_s", "peak_a"),
        ('night = "dim"', "", "outputs.strip.level_night", "night"),
        ('level = "RearState.Strip"\non = 40', "on = 40", "outputs.beacon.on", "command or level"),
        ('command = "RearState.Out1"', "", "outputs.bell.unknown", "command or level"),
        ('flash_when = "frost"', "", "outputs.beacon.flash_hz", "flash_when"),
        ("flash_hz = 1.5", "", "outputs.beacon.flash_tolerance_hz", "flash_hz"),
        ("run_on_s = 6", "", "outputs.ramp.run_on_tolerance_s", "run_on_s"),
        ("cut_after_s = 8", "", "outputs.ramp.cut_after_tolerance_s", "cut_after_s"),
        ('awake_while = "key"', "", "bus.quiet_after_s", "awake_while"),
        ('supply = "RearSupply.Volts"', "", "controller.supply_min_v", "supply"),
    ],
)
def test_a_key_that_needs_another_is_a_mistake_without_it(
    tmp_path: Path, before: str, after: str, key: str, needed: str
) -> None:
    name = key.rpartition(".")[2]
    expected = Mistake(key, f"the key {needed} beside it", f"{name} without it")
    assert the_mistake(tmp_path, (before, after)) == expected


def test_brightness_keys_need_a_level(tmp_path: Path) -> None:
    text = COLD_STORE_VAN.replace('level = "RearState.Strip"\nlevel_day', "level_day")
    assert [(mistake.key, mistake.expected) for mistake in mistakes_of(tmp_path, text)] == [
        (f"outputs.strip.{key}", "the key level beside it")
        for key in ("level_day", "level_night", "level_tolerance", "night")
    ]


def test_a_needed_key_with_a_mistake_of_its_own_is_not_called_missing(tmp_path: Path) -> None:
    assert the_mistake(tmp_path, ("peak_s = 2", "peak_s = -2")).key == "outputs.bell.peak_s"


def test_the_peak_is_not_below_the_continuous_current(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("peak_a = 9.5", "peak_a = 3.5"))
    assert mistake == Mistake("outputs.bell.peak_a", "at least continuous_a (4)", "3.5")
    assert loaded(tmp_path, COLD_STORE_VAN.replace("peak_a = 9.5", "peak_a = 4")).outputs["bell"].peak_a == 4.0


def test_all_mistakes_of_a_plan_are_listed_in_file_order(tmp_path: Path) -> None:
    text = COLD_STORE_VAN
    for before, after in (
        ("min_exercises = 4", 'min_exercises = "4"'),
        ("quiet_after_s = 12", "quiet_after_s = -12"),
        ('"RearSupply.Volts"', '"RearSupply.Volt"'),
        ("below = 20", "beloww = 20"),
        ('on = "Drive"', 'on = "Gone"'),
        ('"buzzer AND NOT tailgate"', '"buzzer AND NOT trunk"'),
        ("within_s = 0.25", "within_s = 0"),
        ("peak_s = 2", ""),
        ("[outputs.ramp]", '[outputs."ramp 2"]'),
        ('night = "dim"', 'night = "dark"'),
        ("flash_hz = 2.5", "flash_hz = []"),
    ):
        assert before in text
        text = text.replace(before, after)
    assert [mistake.key for mistake in mistakes_of(tmp_path, text)] == [
        "min_exercises",
        "bus.quiet_after_s",
        "controller.supply",
        "controls.dim.beloww",
        "controls.key.on",
        "outputs.bell.when",
        "outputs.bell.within_s",
        "outputs.bell.peak_a",
        'outputs."ramp 2"',
        "outputs.strip.night",
        "outputs.strip.flash_hz",
    ]


def test_a_control_with_a_mistake_of_its_own_is_still_known_to_the_rules(tmp_path: Path) -> None:
    assert the_mistake(tmp_path, (KEY_TABLE, "[controls]\nkey = 5")).key == "controls.key"


def test_a_sentence_says_file_key_expected_found_and_close_names(tmp_path: Path) -> None:
    with pytest.raises(PlanError) as caught:
        loaded(tmp_path, COLD_STORE_VAN.replace("AND NOT tailgate", "or taligate"))
    assert str(caught.value) == (
        f"{tmp_path / 'van.toml'}: outputs.bell.when: expected the name of a control, "
        "found 'taligate' at character 11 of 'buzzer or taligate'. Close names: tailgate."
    )
