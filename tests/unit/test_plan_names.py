"""Names in a plan that lead nowhere, and values that a signal cannot show."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from canlens.errors import Mistake
from canlens.plan.rule import MAX_DEPTH
from tests.unit.sample_plan import COLD_STORE_VAN, mistakes_of, the_mistake

if TYPE_CHECKING:
    from pathlib import Path


PATH = "a signal of the databases, MESSAGE.SIGNAL"


@pytest.mark.parametrize(
    ("before", "after", "key", "expected", "found", "close"),
    [
        (
            "AND NOT tailgate",
            "and not tailgat",
            "outputs.bell.when",
            "the name of a control",
            "'tailgat' at character 16 of 'buzzer and not tailgat'",
            ("tailgate",),
        ),
        (
            "AND NOT tailgate",
            "an tailgate",
            "outputs.bell.when",
            "'and', 'or' or the end of the rule",
            "'an' at character 8 of 'buzzer an tailgate'",
            ("and",),
        ),
        (
            "AND NOT tailgate",
            "and",
            "outputs.bell.when",
            "the name of a control, 'not' or '('",
            "the end of the rule at character 11 of 'buzzer and'",
            (),
        ),
        (
            'flash_when = "buzzer"',
            'flash_when = "buzer"',
            "outputs.strip.flash_when",
            "the name of a control",
            "'buzer' at character 1 of 'buzer'",
            ("buzzer",),
        ),
        ('night = "dim"', 'night = "dusk"', "outputs.strip.night", "the name of a control", "'dusk'", ()),
        ('night = "dim"', 'night = "not dim"', "outputs.strip.night", "the name of a control", "'not dim'", ("dim",)),
        ('awake_while = "key"', 'awake_while = "Keys"', "bus.awake_while", "the name of a control", "'Keys'", ("key",)),
        (
            'node = "RearBox"',
            'node = "RaerBox"',
            "controller.node",
            "a node of the databases",
            "'RaerBox'",
            ("RearBox",),
        ),
        ('node = "RearBox"', 'node = "Qux"', "controller.node", "a node of the databases", "'Qux'", ("Cab", "RearBox")),
    ],
)
def test_an_unknown_name_comes_with_close_names(
    tmp_path: Path, before: str, after: str, key: str, expected: str, found: str, close: tuple[str, ...]
) -> None:
    assert the_mistake(tmp_path, (before, after)) == Mistake(key, expected, found, close)


@pytest.mark.parametrize(
    ("path", "found", "close"),
    [
        (
            "RearState.FanSped",
            "'RearState.FanSped' (message 'RearState' has no signal 'FanSped')",
            "RearState.FanSpeed",
        ),
        ("RearSate.FanSpeed", "'RearSate.FanSpeed' (there is no message 'RearSate')", "RearState.FanSpeed"),
        ("RearSate.FanSped", "'RearSate.FanSped' (there is no message 'RearSate')", "RearState.FanSpeed"),
        ("rearstate.fanspeed", "'rearstate.fanspeed' (there is no message 'rearstate')", "RearState.FanSpeed"),
        ("FanSpeed", "'FanSpeed', without a dot", "RearState.FanSpeed"),
        ("RearInputs", "'RearInputs', without a dot", "RearInputs.DimSeen"),
        ("RearInputs.Volts", "'RearInputs.Volts' (message 'RearInputs' has no signal 'Volts')", "RearSupply.Volts"),
        ("", "'', without a dot", None),
        ("Dash.Key.Raw", "'Dash.Key.Raw' (message 'Dash' has no signal 'Key.Raw')", "Dash.Key"),
    ],
)
def test_a_signal_that_is_not_there_comes_with_close_paths(
    tmp_path: Path, path: str, found: str, close: str | None
) -> None:
    mistake = the_mistake(tmp_path, ('"RearState.FanSpeed"', f'"{path}"'))
    assert (mistake.key, mistake.expected, mistake.found) == ("outputs.fan.command", PATH, found)
    assert (mistake.close[0] if mistake.close else None) == close


@pytest.mark.parametrize("key", ["level", "current", "voltage", "supply", "noticed", "signal"])
def test_every_path_is_looked_up(tmp_path: Path, key: str) -> None:
    line = next(line for line in COLD_STORE_VAN.splitlines() if line.startswith(f"{key} ="))
    mistakes = mistakes_of(tmp_path, COLD_STORE_VAN.replace(line, f'{key} = "No.Such"'))
    assert {mistake.key.rpartition(".")[2] for mistake in mistakes} == {key}
    assert {mistake.expected for mistake in mistakes} == {PATH}


@pytest.mark.parametrize(
    ("before", "after", "key", "expected", "found", "close"),
    [
        (
            'on = "Drive"',
            'on = "Drife"',
            "controls.key.on",
            "a text of the value table of 'Key'",
            "'Drife'",
            ("Drive",),
        ),
        (
            'on = "Drive"',
            'on = ["Drive", "drive"]',
            "controls.key.on",
            "a text of the value table of 'Key'",
            "'drive'",
            ("Drive",),
        ),
        (
            'on = "Drive"',
            'on = "Qq"',
            "controls.key.on",
            "a text of the value table of 'Key'",
            "'Qq'",
            ("Out", "Park", "Drive"),
        ),
        ("below = 20", 'on = "Dark"', "controls.dim.on", "a number, since 'Daylight' has no value table", "'Dark'", ()),
        ('on = "Drive"', "on = 4", "controls.key.on", "a value that 'Key' can show: 0 to 3 in steps of 1", "4", ()),
        ('on = "Drive"', "on = -1", "controls.key.on", "a value that 'Key' can show: 0 to 3 in steps of 1", "-1", ()),
        (
            "above = -2.5",
            "on = 0.3",
            "controls.frost.on",
            "a value that 'Outside' can show: -64 to 63.5 in steps of 0.5",
            "0.3",
            (),
        ),
        (
            "above = -2.5",
            "on = 1e308",
            "controls.frost.on",
            "a value that 'Outside' can show: -64 to 63.5 in steps of 0.5",
            "1e+308",
            (),
        ),
        (
            "above = -2.5",
            "above = 63.5",
            "controls.frost.above",
            "a number below 63.5, the most that 'Outside' can show",
            "63.5",
            (),
        ),
        (
            "above = -2.5",
            "below = -64",
            "controls.frost.below",
            "a number above -64, the least that 'Outside' can show",
            "-64",
            (),
        ),
        ("unknown = [2, 3]", "unknown = [2, 4]", "controls.buzzer.unknown", "raw values of 'Buzzer', 0 to 3", "4", ()),
        ("unknown = [3]", "unknown = [-1]", "outputs.bell.unknown", "raw values of 'Out1', 0 to 3", "-1", ()),
    ],
)
def test_a_value_that_the_signal_cannot_show_is_a_mistake(
    tmp_path: Path, before: str, after: str, key: str, expected: str, found: str, close: tuple[str, ...]
) -> None:
    assert the_mistake(tmp_path, (before, after)) == Mistake(key, expected, found, close)


@pytest.mark.parametrize(
    ("written_name", "key", "expected", "close"),
    [
        ('"tail.gate"', 'controls."tail.gate"', "a name of letters, digits, _ and -", ("tail_gate",)),
        ('"tail gate"', 'controls."tail gate"', "a name of letters, digits, _ and -", ("tail_gate",)),
        ('""', 'controls.""', "a name of letters, digits, _ and -", ()),
        ('"Tür"', 'controls."Tür"', "a name of letters, digits, _ and -", ("T_r",)),
        ("rest", "controls.rest", "another name, since the mark 'rest' says that nothing was touched", ()),
        ("and", "controls.and", "another name, since rules use 'and', 'or' and 'not'", ()),
        ("Not", "controls.Not", "another name, since rules use 'and', 'or' and 'not'", ()),
    ],
)
def test_a_name_that_rules_and_marks_cannot_bear_is_refused(
    tmp_path: Path, written_name: str, key: str, expected: str, close: tuple[str, ...]
) -> None:
    added = f'[controls.{written_name}]\nsignal = "Dash.Key"\n[outputs.bell]'
    mistake = the_mistake(tmp_path, ("[outputs.bell]", added))
    assert (mistake.key, mistake.expected, mistake.close) == (key, expected, close)


def test_names_of_outputs_are_held_to_the_same_rules(tmp_path: Path) -> None:
    assert the_mistake(tmp_path, ("[outputs.fan]", '[outputs."fan 1"]')).close == ("fan_1",)


def test_a_rule_too_deep_is_refused(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ("AND NOT tailgate", "and " + "(" * 5000))
    assert mistake.expected == f"at most {MAX_DEPTH} of '(' and 'not' within one another"
