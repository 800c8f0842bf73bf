"""One browser for all tests of pages, and the pages of the sample job."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest

from tests.browser.shown import JobPages, Shown
from tests.samples import npm_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """Return the installed Chromium; skip where there is none, unless it is required."""
    path = shutil.which("chromium")
    if path is None:
        if "browser" in os.environ.get("CANLENS_REQUIRE", ""):
            pytest.fail("chromium is required and not installed")
        pytest.skip("chromium is not installed")
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 – only where there is a browser

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def job_pages(tmp_path_factory: pytest.TempPathFactory) -> JobPages:
    """Return the pages of the sample job."""
    return JobPages(tmp_path_factory.mktemp("pages"))


@pytest.fixture
def show(chromium: Browser) -> Iterator[Callable[..., Shown]]:
    """Open pages; each must have asked for nothing and said nothing when the test ends."""
    opened: list[Shown] = []

    def open_page(file: Path, *, width: int = 1280) -> Shown:
        opened.append(Shown(chromium, file, width=width))
        return opened[-1]

    yield open_page
    for each in opened:
        each.page.context.close()
        assert each.trouble == []


@pytest.fixture(scope="session")
def _opened(chromium: Browser, job_pages: JobPages) -> Iterator[Callable[[str], Shown]]:
    opened: dict[str, Shown] = {}

    def open_page(name: str) -> Shown:
        if name not in opened:
            opened[name] = Shown(chromium, job_pages[name])
        return opened[name]

    yield open_page
    for each in opened.values():
        each.page.context.close()


@pytest.fixture
def job_page(_opened: Callable[[str], Shown]) -> Iterator[Callable[..., Shown]]:
    """Show a page of the sample job, opened once for all tests, as if it had just been opened."""
    used: list[Shown] = []

    def show_page(name: str, *, width: int = 1280, height: int = 900, dark: bool = False) -> Shown:
        shown = _opened(name)
        shown.settle(width=width, height=height, dark=dark)
        used.append(shown)
        return shown

    yield show_page
    assert [each.trouble for each in used if each.trouble] == []


@pytest.fixture(scope="session")
def axe() -> str:
    """Return the script of axe-core, which looks for barriers in a page."""
    return npm_file("axe-core", "4.10.3", "axe.min.js").read_text("utf-8")
