"""Names of others stay text: plotly reads a few tags, entities and templates in what it shows."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from canlens.measures.picturing import drawn_recording
from canlens.reports.pictures import check_pictures, plotly_script
from canlens.reports.pictures.picture import clipped, column, foreign, places
from tests.unit.picture_parts import figure_of, texts_of, unpacked
from tests.unit.small_jobs import job, planned, presses, wave

HOSTILE = [
    "<script>alert(1)</script>",
    '<a href="javascript:alert(1)">x</a>',
    "</script><b>",
    "%{z} %{meta[0]}",
    "a&lt;b&amp;c",
    "\u202egnol\u202c\x1b[31m",
    "=cmd|'/c calc'!A1",
]
OURS = re.compile(r"</?b>|<br>|<extra>[^<]*</extra>")
"""The tags that our own texts use."""


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_shown_and_does_nothing(name: str) -> None:
    spans, late = presses(4), [(2.1, 3.0), (5.5, 6.0), (9.5, 9.8)]
    one = job(
        {"horn": spans}, {name: planned("horn", late, current=wave(late, on=50))}, end_s=16, marks=[(2.0, "horn")]
    )
    drawn = drawn_recording(one.evidence, one.trace)
    horn, output = drawn.lanes
    asked = tuple(replace(each, control=(name,) * len(each.control)) for each in drawn.joins)
    drawn = replace(drawn, lanes=(replace(horn, name=name), output), joins=asked)
    whole = replace(one.checkup.drawn([one.trace]), recordings=(drawn,))
    picture = check_pictures(one.checkup.result, whole)[0]
    assert not set("<>&") & set(picture.figure)
    for text in texts_of(figure_of(picture)):
        rest = OURS.sub("", text)
        assert "<" not in rest
        assert ">" not in rest
        assert text.isprintable()
        assert set(re.findall(r"%\{(\w+)", rest)) <= {"x", "y", "text", "customdata"}
    shown = [text for text in texts_of(figure_of(picture)) if foreign(name) in text or clipped(name) in text]
    assert shown


def test_a_template_in_a_name_is_no_template() -> None:
    assert "%{" not in foreign("%{x}")
    assert foreign("%{x}") == "%&#123;x&#125;"


def test_a_long_name_is_cut_before_it_is_escaped() -> None:
    assert clipped("<" * 100) == "&lt;" * 23 + "…"


def test_a_column_holds_the_very_numbers() -> None:
    assert unpacked(column([1.5, 2.25])).tolist() == [1.5, 2.25]
    assert unpacked(column([[1, 2], [3, 4]], "i4")).tolist() == [[1, 2], [3, 4]]


def test_places_hold_the_recordings_own_clock_to_the_microsecond() -> None:
    told, words = places([0.0, 1.000001], [7, 8], start=1_760_000_000.25)
    assert unpacked(told).tolist() == [[1_760_000_000, 250_000, 7], [1_760_000_001, 250_001, 8]]
    assert "line" in words
    far, _ = places([0.0], [0], start=2.0**33)
    assert unpacked(far).tolist() == [[2.0**33, 0, 0]]


def test_the_script_is_the_plotting_library_and_asks_for_nothing() -> None:
    script = plotly_script()
    assert "plotly.js v" in script[:200]
    assert "</script" not in script.lower()


def test_no_button_sends_a_picture_away() -> None:
    one = job({"horn": presses(3)}, {"siren": planned("horn", presses(3))}, end_s=12)
    config = figure_of(check_pictures(one.checkup.result, one.checkup.drawn())[0])["config"]
    named = {button for group in config["modeBarButtons"] for button in group}
    assert named == {"toImage", "zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"}
    assert config["plotlyServerURL"] == ""


def test_a_picture_is_a_value_that_can_be_replaced() -> None:
    one = job({"horn": presses(3)}, {"siren": planned("horn", presses(3))}, end_s=12)
    picture = check_pictures(one.checkup.result, one.checkup.drawn())[0]
    assert replace(picture, title="other").title == "other"
