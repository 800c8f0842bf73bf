"""The page of a discovery: winner beside runner-up, and the slots by sign and word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

import canlens
from canlens.plan import Mark
from canlens.prompting import draw_free_session
from canlens.reports.page.discovery_page import discovery_page
from tests.end_to_end.test_cli_check import PLAN
from tests.end_to_end.test_cli_exercises import noted, recorded

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from canlens.discovery import Discovery
    from tests.browser.shown import Shown

NAMES = ("horn", "dusk", "<b>no_such</b>")


@pytest.fixture(scope="module")
def found() -> Discovery:
    """Return a search for two controls that are on the bus and one, with an odd name, that was never touched."""
    session = draw_free_session(["horn", "dusk"], seed=4)
    trace = recorded(canlens.read_plan(PLAN), session, 4, always="ignition")
    odd = [Mark(mark.time_s, NAMES[2], mark.until_s) for mark in list(noted(session)) if mark.label == "rest"][::2]
    taken = {mark.time_s for mark in odd}
    return canlens.discover(trace, [*(mark for mark in noted(session) if mark.time_s not in taken), *odd])


@pytest.fixture(scope="module")
def file(found: Discovery, tmp_path_factory: pytest.TempPathFactory) -> Path:
    page = tmp_path_factory.mktemp("discovery") / "found.html"
    page.write_text(discovery_page(found.result), "utf-8")
    return page


def test_each_control_shows_its_best_places_and_why(show: Callable[..., Shown], file: Path, found: Discovery) -> None:
    shown = show(file)
    assert shown.text(".verdict").startswith("NOT EVERY CONTROL NAMED")
    for number, (name, row) in enumerate(found.result.controls.items(), 1):
        section = f"#control-{number}"
        assert shown.text(f"{section} h2") == f"{name}: {'named' if row.named else 'not named'}"
        assert row.reason in shown.text(section)
        cells = shown.cells(f"Best places for {name}")
        assert [cell[1] for cell in cells] == [f"{each.answered} of {row.exercises}" for each in row.candidates[:3]]


def test_every_tick_is_a_sign_with_a_word(show: Callable[..., Shown], file: Path, found: Discovery) -> None:
    shown = show(file)
    for number, row in enumerate(found.result.controls.values(), 1):
        words = shown.page.locator(f"#control-{number} .slots tr").evaluate_all(
            "rows => rows.map(row => [row.querySelector('th').innerText,"
            " [...row.querySelectorAll('td .unseen')].map(each => each.textContent)])"
        )
        told: dict[str, list[str]] = {}
        for title, some in words:
            told.setdefault(title, []).extend(some)
        kinds = {"exercise": "operated", "rest": "left alone", "other": "another control operated"}
        assert told["operated?"] == [kinds[slot.kind] for slot in row.slots]
        for title, each in zip(("best place", "next best"), row.candidates, strict=False):
            assert len(told[title]) == len(row.slots)
            went = [word in ("on and off with it", "on and off without it") for word in told[title]]
            assert went == [tick is True for tick in each.ticks]


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_no_width_needs_scrolling_sideways(show: Callable[..., Shown], file: Path, width: int) -> None:
    assert show(file, width=width).overflow() <= 0


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_there_is_no_barrier(show: Callable[..., Shown], file: Path, axe: str, *, dark: bool) -> None:
    shown = show(file)
    shown.page.emulate_media(color_scheme="dark" if dark else "light")
    shown.page.evaluate(axe)
    problems: list[dict[str, Any]] = shown.page.evaluate("axe.run().then(found => found.violations)")
    grave = [each for each in problems if each["impact"] in ("serious", "critical")]
    assert grave == [], [(each["id"], [node["html"][:200] for node in each["nodes"]]) for each in grave]


def test_a_recording_without_frames_has_a_page(show: Callable[..., Shown], tmp_path: Path) -> None:
    empty = tmp_path / "empty.log"
    empty.touch()
    nothing = canlens.discover(canlens.read_trace(empty), [Mark(1.0, "horn", 2.0)])
    page = tmp_path / "page.html"
    page.write_text(discovery_page(nothing.result), "utf-8")
    assert show(page).text("#control-1 h2") == "horn: not named"
