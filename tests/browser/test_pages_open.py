"""Pages as a person opens them: from disk, on a phone or a wide screen, by day and by night, and on paper."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from playwright.sync_api import Browser

    from tests.browser.shown import JobPages, Shown

PAGES = ("failed", "proven", "survey", "compare")
PAPER_PX = (210 - 24) * 96 / 25.4
"""Width of A4 within the margins of the page's style, in pixels of CSS."""


@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_from_disk_and_draws_its_figures_without_a_word_or_a_request(
    job_page: Callable[..., Shown], name: str
) -> None:
    shown = job_page(name)
    assert shown.figures >= 1
    for index in range(shown.figures):
        assert shown.page.locator(".plot").nth(index).locator("svg.main-svg").count() >= 1
    assert shown.trouble == []  # and once more when it is closed


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("width", [390, 768, 1280, 2560])
def test_no_width_needs_scrolling_sideways(job_page: Callable[..., Shown], name: str, width: int) -> None:
    assert job_page(name, width=width).overflow() <= 0


def test_the_answer_stands_on_the_first_screen(job_page: Callable[..., Shown]) -> None:
    for width, height in ((1280, 800), (390, 844)):
        shown = job_page("failed", width=width, height=height)
        for selector in (".verdict", ".lead", ".steps .likely", ".steps .next"):
            box = shown.page.locator(selector).bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= height, (selector, width)


def test_lanes_and_quantities_zoom_together(show: Callable[..., Shown], job_pages: JobPages) -> None:
    shown = show(job_pages["failed"])
    lane = shown.page.locator(".plot").first.locator(".nsewdrag").nth(1)
    lane.evaluate("each => each.scrollIntoView({block: 'center'})")
    before = _ranges(shown)
    drag = lane.bounding_box()
    assert drag is not None
    shown.page.mouse.move(drag["x"] + drag["width"] * 0.3, drag["y"] + drag["height"] / 2)
    shown.page.mouse.down()
    shown.page.mouse.move(drag["x"] + drag["width"] * 0.6, drag["y"] + drag["height"] / 2, steps=5)
    shown.page.mouse.up()
    shown.page.wait_for_timeout(400)
    after = _ranges(shown)
    assert len(after) >= 2
    assert len({tuple(round(end, 6) for end in each) for each in after}) == 1
    assert after[0][1] - after[0][0] < 0.5 * (before[0][1] - before[0][0])
    shown.page.mouse.dblclick(drag["x"] + drag["width"] * 0.5, drag["y"] + drag["height"] / 2)
    shown.page.wait_for_timeout(400)
    assert _ranges(shown) == before


def _ranges(shown: Shown) -> list[list[float]]:
    """Return the range of every x axis of the first figure [s]."""
    script = """place => Object.entries(place._fullLayout)
        .filter(([name]) => /^xaxis\\d*$/.test(name)).map(([, axis]) => axis.range.map(Number))"""
    found: list[list[float]] = shown.page.locator(".plot").first.evaluate(script)
    return found


@pytest.mark.parametrize("name", ["failed", "survey", "compare"])
def test_every_finding_is_reached_by_link_and_keyboard(
    job_page: Callable[..., Shown], job_pages: JobPages, name: str
) -> None:
    shown = job_page(name)
    document = job_pages.document(name)
    expected = len(document["findings"] if name != "compare" else document["changes"])
    articles = shown.page.locator("article.finding")
    assert articles.count() == expected
    for number in range(1, expected + 1):
        link = shown.page.locator(f"a[href='#finding-{number}']").first
        link.focus()
        shown.page.keyboard.press("Enter")
        assert shown.page.evaluate("document.activeElement.id") == f"finding-{number}"
        shown.page.wait_for_selector(f"#finding-{number}:not(:has(details:not([open])))")


def test_the_tabulator_key_leads_through_every_link(job_page: Callable[..., Shown]) -> None:
    shown = job_page("failed")
    wanted = shown.page.evaluate("[...document.querySelectorAll('main a')].map(each => each.getAttribute('href'))")
    shown.page.locator(".skip").focus()
    reached = []
    for _ in range(400):
        shown.page.keyboard.press("Tab")
        active: dict[str, Any] = shown.page.evaluate(
            "({href: document.activeElement.getAttribute('href'), tag: document.activeElement.tagName})"
        )
        if active["tag"] == "BODY":
            break
        reached.append(active["href"])
    assert set(wanted) <= set(reached)


def test_figures_follow_the_light(job_page: Callable[..., Shown]) -> None:
    shown = job_page("survey")
    colour = "document.querySelector('.plot')._fullLayout.font.color"
    by_day = shown.page.evaluate(colour)
    shown.page.emulate_media(color_scheme="dark")
    shown.page.wait_for_timeout(400)
    assert shown.page.evaluate(colour) != by_day


@pytest.mark.parametrize("name", PAGES)
def test_paper_shows_everything_and_nothing_is_cut_off(job_page: Callable[..., Shown], name: str) -> None:
    shown = job_page(name, width=int(PAPER_PX))
    pdf = shown.page.pdf(format="A4", prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) <= 20  # ISO 32000-1, 7.7.3.3
    shown.page.emulate_media(media="print")
    shown.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert shown.page.locator("details:not([open])").count() == 0
    assert not shown.page.locator("nav").is_visible()
    assert shown.overflow() <= 0
    for scroll in shown.page.locator(".scroll").all():
        assert scroll.evaluate("each => each.scrollWidth - each.clientWidth") <= 1
    shown.page.evaluate("dispatchEvent(new Event('afterprint'))")
    shown.page.emulate_media(media="screen")
    assert shown.page.locator("nav").is_visible()


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_there_is_no_barrier(job_page: Callable[..., Shown], axe: str, name: str, *, dark: bool) -> None:
    shown = job_page(name, dark=dark)
    shown.page.evaluate(axe)
    found: list[dict[str, Any]] = shown.page.evaluate("axe.run().then(found => found.violations)")
    grave = [each for each in found if each["impact"] in ("serious", "critical")]
    assert grave == [], [(each["id"], [node["html"][:200] for node in each["nodes"]]) for each in grave]


def test_without_scripts_the_words_are_all_there(chromium: Browser, job_pages: JobPages) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(job_pages["failed"].as_uri())
    assert "FAILED" in page.inner_text(".verdict")
    assert page.locator("article.finding").count() == len(job_pages.document("failed")["findings"])
    context.close()


def test_an_empty_recording_has_a_page(show: Callable[..., Shown], tmp_path: Path, job_pages: JobPages) -> None:
    empty = tmp_path / "empty.log"
    empty.touch()
    shown = show(job_pages.write("check", str(job_pages.plan), str(empty), folder=tmp_path))
    assert shown.figures == 0
    assert shown.text(".verdict").startswith("FAILED")
