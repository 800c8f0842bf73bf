"""Text of a survey: it answers first, fits 80 columns on any console, and swallows nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

import canlens
from canlens.nouns.bus import Episodes, ErrorLedger
from canlens.reports.layout import display_width
from canlens.reports.survey_text import survey_text
from canlens.reports.text import check_text
from canlens.results.check import RestResult
from canlens.trace import Trace
from tests.unit import sample_results as sample
from tests.unit.small_buses import Sent, bus, counting, others

if TYPE_CHECKING:
    from canlens.results.survey import SurveyResult

HOSTILE = "[bold]喇叭\x1b[31m\u202e"


def surveyed(
    *, second: bool = False, name: str = "Speed", node: str = "Node", rate: int | None = 500_000
) -> SurveyResult:
    own = Sent(name, 0x100, every_s=0.05, jitter_s=0.0002, payload=counting(), declared_s=0.05, node=node)
    more = [replace(own, every_s=0.0613, phase_s=0.013)] if second else []
    one = bus(own, *more, *others(), end_s=12)
    return canlens.survey(one.trace, one.plan.database, bit_rate=rate).result


def first_line(result: SurveyResult) -> str:
    return survey_text(result).splitlines()[0]


def test_the_first_line_says_that_a_bus_is_well() -> None:
    assert first_line(surveyed()) == "WELL – nothing wrong was found on this bus in this recording."


def test_a_good_answer_says_what_it_does_not_cover() -> None:
    text = survey_text(surveyed())
    assert "not the\nsame as none" in text.partition("BUS LOAD")[0]
    assert "None recorded, which is not the same as none" in text


def test_the_first_lines_say_what_is_wrong_and_what_to_do() -> None:
    head = survey_text(surveyed(second=True)).partition("FINDINGS")[0]
    assert head.startswith("NOT WELL – 1 failure and 1 warning on this bus.\nTwo senders use Speed (0x100)")
    assert "Do next: Unplug what was fitted last" in head


def test_a_warning_alone_is_no_failure() -> None:
    one = bus(Sent("Speed", 0x100, every_s=0.05, silent=[(5.0, 5.6)]), *others(), end_s=12)
    assert first_line(canlens.survey(one.trace, bit_rate=500_000).result) == (
        "NO FAILURE FOUND – but 1 warning; read on before you trust this bus."
    )


def test_a_poor_recording_answers_nothing() -> None:
    result = replace(surveyed(), verdict="too-poor")
    assert first_line(result) == "CANNOT TELL – the recording is too poor to judge the bus by."


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "cp1252", "cp437"])
@pytest.mark.parametrize("name", ["Speed", "A" * 90, HOSTILE])
def test_the_page_fits_80_columns_and_does_nothing_to_the_console(encoding: str, name: str) -> None:
    text = survey_text(surveyed(second=True, name=name, node=name), encoding=encoding)
    assert max(map(display_width, text.splitlines())) <= 80
    assert "\x1b" not in text
    assert "\u202e" not in text
    text.encode(encoding)


def test_brackets_of_a_name_are_printed() -> None:
    assert "[bold]" in survey_text(surveyed(name=HOSTILE))


def test_the_load_is_told_with_its_formulas_and_the_intermission() -> None:
    text = " ".join(survey_text(surveyed()).split())
    assert "% over the whole recording" in text
    assert "every stuff bit, and the 3 bits of intermission after each frame" in text
    assert "% without stuff bits and" in text
    assert "% at the worst" in text


def test_without_a_bit_rate_the_reason_is_told() -> None:
    text = " ".join(survey_text(surveyed(rate=None)).split())
    assert "Unknown, since the bit rate is: give it with --bit-rate. Why:" in text


def test_errors_are_told_with_their_places_and_the_states_of_the_recorder() -> None:
    one = surveyed()
    two = replace(Episodes.none(), start_s=np.array([1.0, 2.0]))
    errors = ErrorLedger(
        3, 9, "yes", "the log holds them", {"bus-error": 3, "bus-off": 0}, {"payload": 3}, episodes=two
    )
    text = survey_text(replace(one, errors=errors))
    assert "3 in 2 episodes" in text
    assert "bus error (3)" in text
    assert "bus-off 0" not in text


def test_what_could_not_be_recorded_is_not_called_none() -> None:
    one = surveyed()
    errors = ErrorLedger(0, 0, "no", "the format has no place for them")
    text = " ".join(survey_text(replace(one, errors=errors)).split())
    assert "Not recorded, which is not the same as none: the format has no place for them." in text


def test_an_empty_recording_is_told_in_words() -> None:
    text = survey_text(canlens.survey(Trace.empty()).result)
    assert text.startswith("NOT WELL")
    assert "Nothing was heard." in text


def test_a_check_tells_how_the_bus_fell_asleep() -> None:
    quiet = RestResult(100.0, 112.0, 119.5, "Amps", "Box", 25.0)
    text = " ".join(check_text(replace(sample.PROVEN, quiet=quiet)).split())
    assert "last change of an output 12.000 s after it" in text
    assert "last frame 19.500 s after it, Amps of Box" in text
    assert "frames for 25 s after it" in text
    assert "AWAKE" not in check_text(replace(sample.PROVEN, quiet=replace(quiet, off_s=None)))


def test_a_wake_is_told_with_who_spoke_first() -> None:
    one = bus(Sent("Key", 0x10, at_s=[8.0]), *others(silent=[(4.0, 8.01)]), end_s=12)
    text = " ".join(survey_text(canlens.survey(one.trace, one.plan.database).result).split())
    assert "woken at 7.999 s by Key (0x10), Node" in text
