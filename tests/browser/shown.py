"""A page as a browser shows it, with whatever it should not have done."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Request


ROOT = Path(__file__).parents[2]
TRACES = ROOT / "traces"
RECORDINGS = {"proven": TRACES / "quernholt-healthy.log.gz", "failed": TRACES / "quernholt-two-faults.log.gz"}
PLAN, DATABASE = TRACES / "quernholt.toml", ROOT / "dbc_examples" / "quernholt.dbc"
COMMANDS = {
    "failed": ("check", str(PLAN), str(RECORDINGS["failed"])),
    "proven": ("check", str(PLAN), str(RECORDINGS["proven"])),
    "survey": ("survey", str(RECORDINGS["proven"]), "--dbc", str(DATABASE)),
    "compare": ("compare", str(RECORDINGS["proven"]), str(RECORDINGS["failed"]), "--plan", str(PLAN)),
}


PATIENCE_MS = 15_000
"""How long a page may take before a test gives up; no test asks how fast it is."""


FITTED = """async () => {
  const fits = place => !place._fullLayout || Math.abs(place._fullLayout.width - place.clientWidth) <= 1;
  for (let tries = 0; tries < 300 && ![...document.querySelectorAll('.plot')].every(fits); tries += 1)
    await new Promise(done => setTimeout(done, 20));
}"""
"""Wait until every figure has taken the width of its place."""


class JobPages:
    """Pages of the sample job by name, with their JSON, each written by the command when it is first asked for."""

    plan, database = PLAN, DATABASE

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __getitem__(self, name: str) -> Path:
        page = self._folder / f"{name}.html"
        if not page.is_file():
            json_file = str(page.with_suffix(".json"))
            self.write(*COMMANDS[name], "--json", json_file, folder=self._folder, name=name)
        return page

    def document(self, name: str) -> Any:
        """Return the JSON that was written together with a page."""
        return json.loads(self[name].with_suffix(".json").read_text("utf-8"))

    def recording(self, name: str) -> Path:
        return RECORDINGS[name]

    def log(self, name: str) -> list[str]:
        """Return the lines of a recording."""
        with gzip.open(RECORDINGS[name], "rt", encoding="utf-8") as file:
            return file.read().splitlines()

    def write(self, *arguments: str, folder: Path, name: str = "page") -> Path:
        """Run a command with ``--html`` and return the page."""
        page = folder / f"{name}.html"
        command = [sys.executable, "-m", "canlens", *arguments, "--html", str(page)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert "Traceback" not in done.stderr, done.stderr
        assert page.is_file(), done.stderr
        return page


class Shown:
    """A page opened from disk, all its figures drawn.

    Attributes
    ----------
    trouble
        Console messages, errors and requests other than that of the file itself.
    figures
        How many figures it holds.
    """

    def __init__(self, browser: Browser, file: Path, *, width: int = 1280) -> None:
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme="light")
        context.set_default_timeout(PATIENCE_MS)
        self.page: Page = context.new_page()
        self.trouble: list[str] = []
        self._file = file.as_uri()
        self.page.on("console", self._note_message)
        self.page.on("pageerror", lambda error: self.trouble.append(str(error)))
        self.page.on("request", self._note_request)
        self.page.goto(self._file)
        self.figures = self.page.locator(".plot").count()
        self.page.wait_for_selector(f"html[data-drawn='{self.figures}']", state="attached")

    def settle(self, *, width: int, height: int, dark: bool) -> None:
        """Bring a page that was used before to a size and a light, at its top."""
        self.page.emulate_media(media="screen", color_scheme="dark" if dark else "light")
        self.page.set_viewport_size({"width": width, "height": height})
        self.page.evaluate("scrollTo(0, 0)")
        self.page.evaluate(FITTED)

    def _note_message(self, message: ConsoleMessage) -> None:
        self.trouble.append(message.text)

    def _note_request(self, request: Request) -> None:
        if request.url != self._file and not request.url.startswith("data:"):
            self.trouble.append(request.url)

    def text(self, selector: str) -> str:
        return " ".join(self.page.inner_text(selector).split())

    def cells(self, caption: str) -> list[list[str]]:
        """Return the rows of a table, each cell's first line, without rows of remarks."""
        table = self.page.locator("table").filter(has=self.page.locator("caption", has_text=caption)).first
        rows = table.locator("tbody tr:not(.remark)").all()
        return [[cell.split("\n")[0] for cell in row.locator("th, td").all_inner_texts()] for row in rows]

    def overflow(self) -> int:
        """Return by how many pixels the page is wider than its window."""
        return int(self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))
