"""Published examples of decoded payloads.

Nine vectors of cantools (its tests/test_database.py and README) and values of SAE J1939 as open sources print them:
identifier and top valid value of EEC1's engine speed (SPN 190) as in the sample DBC of the library canparse, the
example bytes 20 4E as in the documentation of the library voltage_j1939.
"""

from __future__ import annotations

import io

import pytest

from canlens.database import Message, read_database
from canlens.signals import decode
from tests.recordings import Frame, recording


def message(signals: list[str], *, length: int = 8, number: int = 0x123, more: str = "") -> Message:
    lines = [f' SG_ {signal} [0|0] "" Vector__XXX' for signal in signals]
    text = f'VERSION ""\n\nBU_:\n\nBO_ {number} Example: {length} Vector__XXX\n' + "\n".join(lines) + f"\n\n{more}\n"
    database = read_database(io.StringIO(text))
    assert database.problems == ()
    return database.messages[0]


def decoded(example: Message, payload: str) -> dict[str, tuple[float, float]]:
    """Return name -> (raw, value) of the signals that one payload carries."""
    trace = recording([Frame(bytes.fromhex(payload), example.identifier, example.is_extended)])
    signals = decode(trace, example).values()
    return {signal.definition.name: (signal.raw[0].item(), signal.value[0].item()) for signal in signals if len(signal)}


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        ("C006E00000000000", {"Enable": (1, 1), "AverageRadius": (32, 3.2), "Temperature": (55, 250.55)}),
        ("0100200000000000", {"Enable": (0, 0), "AverageRadius": (0, 0), "Temperature": (-2047, 229.53)}),
        ("804A0F0000000000", {"Enable": (1, 1), "AverageRadius": (0, 0), "Temperature": (592, 255.92)}),
    ],
)
def test_scaled_motorola_signals(payload: str, expected: dict[str, tuple[float, float]]) -> None:
    example = message(["Enable : 7|1@0+ (1,0)", "AverageRadius : 6|6@0+ (0.1,0)", "Temperature : 0|12@0- (0.01,250)"])
    found = decoded(example, payload)
    assert {name: raw for name, (raw, _) in found.items()} == {name: raw for name, (raw, _) in expected.items()}
    for name, (_, value) in expected.items():
        assert found[name][1] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(
    ("signals", "payload", "expected"),
    [
        pytest.param(
            ["B : 7|1@0+ (1,0)", "A : 6|15@0+ (1,0)", "D : 39|1@0+ (1,0)", "C : 38|15@0+ (1,0)"],
            "82C9000002C90000",
            {"A": 0x2C9, "B": 1, "C": 0x2C9, "D": 0},
            id="motorola",
        ),
        pytest.param(
            ["E : 0|1@1+ (1,0)", "F : 1|15@1+ (1,0)", "G : 32|1@1+ (1,0)", "H : 33|15@1+ (1,0)"],
            "9305000092050000",
            {"E": 1, "F": 0x2C9, "G": 0, "H": 0x2C9},
            id="intel",
        ),
        pytest.param(
            [
                "s3big : 39|3@0- (1,0)",
                "s3 : 34|3@1- (1,0)",
                "s10big : 40|10@0- (1,0)",
                "s8big : 0|8@0- (1,0)",
                "s7big : 62|7@0- (1,0)",
                "s9 : 17|9@1- (1,0)",
                "s8 : 26|8@1- (1,0)",
                "s7 : 1|7@1- (1,0)",
            ],
            "B0B44A55870181F7",
            {"s3big": -4, "s3": 1, "s10big": -253, "s8big": 90, "s7big": -9, "s9": 165, "s8": -43, "s7": -40},
            id="signed, both byte orders",
        ),
        pytest.param(["s33big : 7|33@0- (1,0)"], "FFFFFFFD80000000", {"s33big": -5}, id="33 bits"),
        pytest.param(["Fum : 0|12@1- (1,0)", "Fam : 12|12@1- (1,0)"], "0950000000", {"Fum": 9, "Fam": 5}, id="README"),
    ],
)
def test_whole_numbers(signals: list[str], payload: str, expected: dict[str, int]) -> None:
    example = message(signals, length=len(payload) // 2)
    assert decoded(example, payload) == {name: (raw, raw) for name, raw in expected.items()}


def test_double() -> None:
    example = message(["Signal1 : 0|64@1- (1,0)"], more="SIG_VALTYPE_ 291 Signal1 : 2;")
    assert decoded(example, "75931804562E60C0") == {"Signal1": (-129.448, -129.448)}


def test_single_floats() -> None:
    example = message(
        ["Signal1 : 0|32@1- (1,0)", "Signal2 : 32|32@1- (1,0)"],
        more="SIG_VALTYPE_ 291 Signal1 : 1;\nSIG_VALTYPE_ 291 Signal2 : 1;",
    )
    assert decoded(example, "0080014324B29649") == {"Signal1": (129.5, 129.5), "Signal2": (1234500.5, 1234500.5)}


SHARED = {"BIT_J": 18, "BIT_C": 19, "BIT_G": 23, "BIT_L": 24}
ON_PAGE_24 = {"BIT_A": 26, "BIT_K": 28, "BIT_E": 29, "BIT_D": 32, "BIT_B": 33, "BIT_H": 38, "BIT_F": 39}


@pytest.mark.parametrize(
    ("payload", "page", "names"),
    [
        ("20008C0100000000", 8, {*SHARED}),
        ("40008C0100000000", 16, {*SHARED}),
        ("60008C35C3000000", 24, {*SHARED, *ON_PAGE_24}),
    ],
)
def test_extended_multiplexing(payload: str, page: int, names: set[str]) -> None:
    example = message(
        [
            "Multiplexor M : 2|6@1+ (1,0)",
            *(f"{name} m8 : {start}|1@1+ (1,0)" for name, start in SHARED.items()),
            *(f"{name} m24 : {start}|1@1+ (1,0)" for name, start in ON_PAGE_24.items()),
        ],
        more="\n".join(f"SG_MUL_VAL_ 291 {name} Multiplexor 8-8, 16-16, 24-24;" for name in SHARED),
    )
    found = decoded(example, payload)
    assert found.pop("Multiplexor") == (page, page)
    assert found == dict.fromkeys(names, (1, 1))


EEC1 = 2364539904
SPEED = "EngineSpeed : 24|16@1+ (0.125,0)"


def test_the_j1939_message_number_of_eec1_is_an_extended_identifier() -> None:
    example = message([SPEED], number=EEC1)
    assert (example.identifier, example.is_extended) == (0x0CF00400, True)


@pytest.mark.parametrize(
    ("payload", "raw", "rpm"),
    [
        ("FFFFFF204EFFFFFF", 20000, 2500.0),
        ("FFFFFFFFFAFFFFFF", 0xFAFF, 8031.875),
    ],
)
def test_j1939_engine_speed(payload: str, raw: int, rpm: float) -> None:
    assert decoded(message([SPEED], number=EEC1), payload) == {"EngineSpeed": (raw, rpm)}
