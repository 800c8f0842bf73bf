"""A plan and a database of our own: a van that keeps fish cold, with a box of outputs at its rear."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from canlens.database import Database, Message, SignalDefinition
from canlens.errors import PlanError
from canlens.plan import read_plan

if TYPE_CHECKING:
    from pathlib import Path

    from canlens.errors import Mistake
    from canlens.plan import Plan

COLD_STORE_VAN = """
title = "Harbour cold-store van, rear box"
min_exercises = 4

[bus]
bit_rate = 125_000
data_bit_rate = 1_000_000
database = ["dash.dbc", "box/rear.dbc"]
channel = "vcan3"
awake_while = "key"
quiet_after_s = 12

[controller]
node = "RearBox"
supply = "RearSupply.Volts"
supply_min_v = 10.5

[controls.buzzer]
signal = "Dash.Buzzer"
unknown = [2, 3]
[controls.tailgate]
signal = "Dash.TailGate"
on = ["Ajar", 2]
min_exercises = 2
[controls.dim]
signal = "Dash.Daylight"
below = 20
noticed = "RearInputs.DimSeen"
[controls.key]
signal = "Dash.Key"
on = "Drive"
min_exercises = 1
[controls.frost]
signal = "Dash.Outside"
above = -2.5

[outputs.bell]
load = "reversing bell"
terminal = "block 2, screw 7"
safety = "horn"
command = "RearState.Out1"
unknown = [3]
when = "buzzer AND NOT tailgate"
within_s = 0.25
min_exercises = 6
current = "RearAmps.Out1"
voltage = "RearVolts.Out1"
continuous_a = 4
peak_a = 9.5
peak_s = 2
load_a = 3.1

[outputs.fan]
when = "key"
command = "RearState.FanSpeed"
above = 10
run_on_s = 40
cut_after_s = 900
[outputs.ramp]
when = "tailgate or (frost and key)"
run_on_s = 6
run_on_tolerance_s = 0.2
cut_after_s = 8
cut_after_tolerance_s = 3

[outputs.strip]
when = "key"
level = "RearState.Strip"
level_day = 90
level_night = 25
level_tolerance = 2.5
night = "dim"
flash_when = "buzzer"
flash_hz = 2.5
[outputs.beacon]
when = "frost"
level = "RearState.Strip"
on = 40
flash_when = "frost"
flash_hz = 1.5
flash_tolerance_hz = 0.1
"""


def two_bits(name: str, **more: Any) -> SignalDefinition:
    return SignalDefinition(name, 0, 2, **more)


def byte(name: str, **more: Any) -> SignalDefinition:
    return SignalDefinition(name, 8, 8, **more)


DATABASE = Database(
    messages=(
        Message(
            "Dash",
            0x120,
            is_extended=False,
            length=8,
            senders=("Cab",),
            signals=(
                two_bits("Buzzer"),
                two_bits("TailGate", table={0: "Shut", 1: "Ajar", 3: "Ajar"}),
                two_bits("Key", table={0: "Out", 1: "Park", 2: "Drive"}),
                byte("Daylight", unit="lx"),
                byte("Outside", is_signed=True, scale=0.5, unit="degC"),
            ),
        ),
        Message("RearInputs", 0x301, is_extended=False, length=1, signals=(two_bits("DimSeen"),)),
        Message(
            "RearState",
            0x302,
            is_extended=False,
            length=8,
            senders=("RearBox",),
            signals=(two_bits("Out1"), byte("FanSpeed"), byte("Strip", scale=0.4)),
        ),
        Message("RearAmps", 0x303, is_extended=False, length=8, signals=(byte("Out1", scale=0.1),)),
        Message("RearVolts", 0x304, is_extended=False, length=8, signals=(byte("Out1", scale=0.1),)),
        Message("RearSupply", 0x305, is_extended=False, length=8, signals=(byte("Volts", scale=0.1),)),
    ),
    nodes=("Cab", "RearBox"),
)


def written(folder: Path, text: str = COLD_STORE_VAN) -> Path:
    """Write a plan, and files where its databases should be."""
    (folder / "box").mkdir(exist_ok=True)
    for name in ("dash.dbc", "box/rear.dbc"):
        (folder / name).write_text("stands for a database\n", encoding="utf-8")
    file = folder / "van.toml"
    file.write_text(text, encoding="utf-8")
    return file


def loaded(folder: Path, text: str = COLD_STORE_VAN) -> Plan:
    """Read a plan with the database of this module."""
    return read_plan(written(folder, text), read_database=lambda _: DATABASE)


def mistakes_of(folder: Path, text: str) -> tuple[Mistake, ...]:
    with pytest.raises(PlanError) as caught:
        loaded(folder, text)
    assert caught.value.file == str(folder / "van.toml")
    for mistake in caught.value.mistakes:
        assert f"{caught.value.file}: {mistake}" in str(caught.value).split("\n")
    return caught.value.mistakes


def the_mistake(folder: Path, *changes: tuple[str, str]) -> Mistake:
    """Return the one mistake that changes to the good plan make."""
    text = COLD_STORE_VAN
    for before, after in changes:
        assert before in text
        text = text.replace(before, after)
    mistakes = mistakes_of(folder, text)
    assert len(mistakes) == 1, mistakes
    return mistakes[0]
