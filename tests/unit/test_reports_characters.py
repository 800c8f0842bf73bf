from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from canlens.reports.layout import fitted, visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31mhorn", r"\x1b[31mhorn"),
        ("\x9b31mhorn", r"\x9b31mhorn"),  # the one-byte form of the escape (ECMA-48, 5.4)
        ("a\rb\nc\td\x07", r"a\rb\nc\td\x07"),
        ("horn\u202enroh", r"horn\u202enroh"),
        ("\u2066\u200f\ufeff", r"\u2066\u200f\ufeff"),
        ("line\u2028next", r"line\u2028next"),
        ("byte\udcff.log", r"byte\udcff.log"),
        ("60\u00a0Ω", "60 Ω"),
        ("[bold]x[/]", "[bold]x[/]"),
        ("Hupe vörn 喇叭", "Hupe vörn 喇叭"),
    ],
)
def test_what_acts_or_hides_on_a_terminal_is_shown(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_a_console_without_the_sign_gets_its_stand_in() -> None:
    assert fitted("60 Ω ± 2 – ✓ ≤ 3 µs → x…", "ascii") == "60 ohm +/- 2 - + <= 3 us -> x..."


def test_a_console_that_has_the_sign_keeps_it() -> None:
    assert fitted("60 Ω – ✓", "utf-8") == "60 Ω – ✓"


def test_a_western_windows_console_keeps_its_dash_and_loses_only_what_it_lacks() -> None:
    assert fitted("60 Ω – ± ✓", "cp1252") == "60 ohm – ± +"


def test_a_letter_that_the_console_lacks_is_written_as_its_number_not_dropped() -> None:
    assert fitted("喇叭 ü", "latin-1") == r"\u5587\u53ed ü"


@given(st.text(), st.sampled_from(["ascii", "cp1252", "cp437", "utf-8", "latin-1"]))
def test_any_text_can_be_printed_on_any_console_and_does_nothing_there(text: str, encoding: str) -> None:
    shown = fitted(text, encoding)
    shown.encode(encoding)
    assert shown.isprintable()


@given(st.text())
def test_making_visible_twice_changes_nothing_more(text: str) -> None:
    assert visible(visible(text)) == visible(text)
