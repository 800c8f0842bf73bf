"""The page that counts down, as a person with one hand free uses it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pytest

from canlens import read_marks
from canlens.plan import Mark
from canlens.prompting import ControlNote, Part, Session, SessionStep, draw_free_session
from canlens.reports.countdown_page import countdown_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

BEGIN = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
JUDGE = "canlens discover recording.log --marks marks.csv"
READABLE = 4.5
"""Contrast of text (WCAG 2.2, 1.4.3)."""


class Phone:
    """A page on a small screen whose clock the test moves; it notes whatever should not happen."""

    def __init__(self, browser: Browser, folder: Path, session: Session, **options: Any) -> None:
        file = folder / "exercises.html"
        file.write_text(countdown_page(session, judge=JUDGE), "utf-8")
        self.folder = folder
        self.trouble: list[str] = []
        self.context = browser.new_context(viewport={"width": 390, "height": 780}, **options)
        self.page: Page = self.context.new_page()
        self.page.on("console", lambda message: self.trouble.append(message.text))
        self.page.on("pageerror", lambda error: self.trouble.append(str(error)))
        self.page.on("request", lambda asked: None if asked.url == file.as_uri() else self.trouble.append(asked.url))
        self.page.clock.install(time=BEGIN)
        self.page.goto(file.as_uri())
        self.page.clock.pause_at(BEGIN.replace(second=10))

    def wait(self, seconds: float) -> None:
        self.page.clock.run_for(round(1000 * seconds))

    def sleep(self, seconds: float) -> None:
        """Let time pass without running the page, as a phone with a dark screen does."""
        self.page.clock.fast_forward(round(1000 * seconds))

    def text(self, selector: str) -> str:
        return " ".join(self.page.inner_text(selector).split())

    def saved(self) -> tuple[list[Mark], str]:
        """Save the marks and return them as canlens reads them, with the text of the file."""
        with self.page.expect_download() as caught:
            self.page.click("#save")
        assert caught.value.suggested_filename == "marks.csv"
        file = self.folder / "marks.csv"
        caught.value.save_as(file)
        marks = [Mark(mark.time_s, mark.label, mark.until_s) for mark in read_marks(file)]
        return marks, file.read_text("utf-8")

    def fits(self) -> bool:
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


@pytest.fixture
def phone(chromium: Browser, tmp_path: Path) -> Iterator[Phone]:
    made = Phone(chromium, tmp_path, SESSION, color_scheme="light")
    yield made
    assert made.trouble == []
    made.context.close()


SESSION = draw_free_session(["horn", "brake_front"], slots=24, seed=7)
PLANNED = [Mark(mark.time_s, mark.label, mark.until_s) for mark in SESSION.marks]


def test_a_session_done_as_told_saves_the_planned_marks(phone: Phone) -> None:
    phone.page.click("#start")
    phone.wait(SESSION.duration_s + 1)
    assert phone.text("#sum") == "24 done, 0 skipped, 0 wrong."
    marks, text = phone.saved()
    assert marks == PLANNED
    assert f"Start was pressed at {BEGIN.timestamp() + 10:.1f} s" in text
    assert phone.text("#saved").startswith("Saved as marks.csv")
    assert phone.page.input_value("#csv") == text
    assert JUDGE in phone.text("#after")


def test_each_phase_is_told_by_a_word_at_its_time(phone: Phone) -> None:
    phone.page.click("#start")
    step = SESSION.steps[1]
    assert step.kind == "operate"
    phone.wait(step.act_s - 0.5)
    assert (phone.text("#phase"), phone.text("#count"), phone.text("#what")) == ("READY", "1", step.control)
    phone.wait(0.7)
    assert (phone.text("#phase"), phone.text("#what")) == ("ON", f"{step.control} ON")
    assert phone.page.text_content("#live") == f"{step.control} on"
    phone.wait(step.until_s - step.act_s)
    assert (phone.text("#phase"), phone.text("#what")) == ("OFF", "let go")
    rest = next(each for each in SESSION.steps if each.kind == "rest")
    phone.wait(rest.start_s + 1 - step.until_s - 0.2)
    assert (phone.text("#phase"), phone.text("#what")) == ("REST", "hands off")
    assert phone.text("#progress") == f"{rest.number} of {len(SESSION.steps)}"


def test_it_is_worked_by_the_keyboard_alone(phone: Phone) -> None:
    page = phone.page
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "start":
            break
    page.keyboard.press("Enter")
    operated = [step for step in SESSION.steps if step.kind == "operate"]
    skipped, wrong = operated[1], operated[3]
    phone.wait(skipped.until_s + 0.5)
    page.keyboard.press("s")
    assert page.get_attribute("[data-tick=skipped]", "aria-pressed") == "true"
    assert page.get_attribute("[data-tick=done]", "aria-pressed") == "false"
    phone.wait(wrong.until_s - skipped.until_s)
    page.keyboard.press("w")
    page.keyboard.press("d")
    page.keyboard.press("w")
    phone.wait(SESSION.duration_s - wrong.until_s)
    assert phone.text("#sum") == "22 done, 1 skipped, 1 wrong."
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "save"
    marks, text = phone.saved()
    expected = [mark for mark in PLANNED if mark.time_s not in (skipped.act_s, wrong.act_s)]
    expected.append(Mark(skipped.start_s, "rest", skipped.end_s))
    assert marks == sorted(expected, key=lambda mark: mark.time_s)
    assert f"# {skipped.number} {skipped.control}: skipped, nothing was touched" in text
    assert f"# {wrong.number} {wrong.control} at {wrong.act_s:.1f}: wrong, left out" in text


def test_what_was_ticked_can_be_put_right_at_the_end(phone: Phone) -> None:
    phone.page.click("#start")
    phone.wait(SESSION.duration_s + 1)
    choices = phone.page.get_by_role("combobox")
    assert choices.count() == 24
    first = SESSION.steps[1]
    phone.page.get_by_label(f"How {first.number}, {first.control}, went").select_option("wrong")
    assert phone.text("#sum") == "23 done, 0 skipped, 1 wrong."
    assert phone.saved()[0] == PLANNED[1:]


def test_a_pause_puts_off_what_follows_and_nothing_else(phone: Phone) -> None:
    phone.page.click("#start")
    step = SESSION.steps[3]
    phone.wait(step.start_s + 1)
    phone.page.click("#pause")
    assert phone.page.get_attribute("#pause", "aria-pressed") == "true"
    phone.wait(step.end_s - step.start_s + 19)
    assert phone.text("#phase") == "PAUSE"
    phone.page.click("#pause")
    assert phone.text("#progress") == f"{step.number + 1} of {len(SESSION.steps)}"
    phone.wait(SESSION.duration_s)
    marks, _ = phone.saved()
    for mark, planned in zip(marks, PLANNED, strict=True):
        assert mark.label == planned.label
        late_s = 0.0 if planned.time_s < step.end_s else 20.0
        assert mark.time_s == pytest.approx(planned.time_s + late_s, abs=0.15)
        assert mark.until_s == pytest.approx((planned.until_s or 0.0) + late_s, abs=0.15)


def test_what_was_due_while_the_screen_was_dark_is_left_out(phone: Phone) -> None:
    phone.page.click("#start")
    phone.wait(6)
    phone.sleep(30)
    phone.wait(SESSION.duration_s - 35)
    missed = [mark for mark in PLANNED if mark.label != "rest" and 6 <= mark.time_s < 36]
    assert len(missed) >= 3
    assert phone.text("#sum") == f"{24 - len(missed)} done, 0 skipped, {len(missed)} wrong."
    marks, text = phone.saved()
    assert marks == [mark for mark in PLANNED if mark not in missed]
    assert text.count("the page was not in front, left out") == len(missed)


def test_stopping_early_asks_once_and_keeps_what_was_done(phone: Phone) -> None:
    phone.page.click("#start")
    phone.wait(40)
    phone.page.click("#stop")
    assert phone.text("#stop") == "Press again to stop"
    phone.wait(5)
    assert phone.text("#stop") == "Stop here"
    phone.page.click("#stop")
    phone.page.click("#stop")
    done = [mark for mark in PLANNED if (mark.until_s or 0) <= 45]
    marks, _ = phone.saved()
    assert marks == done
    assert "not reached" in phone.text("#sum")


def test_nothing_scrolls_sideways_on_a_phone(phone: Phone) -> None:
    assert phone.fits()
    phone.page.click("#start")
    for _ in range(4):
        phone.wait(7)
        assert phone.fits()
        bottom = phone.page.evaluate("document.getElementById('stop').getBoundingClientRect().bottom")
        assert bottom <= 780, "the buttons are below the screen"
    phone.wait(SESSION.duration_s)
    phone.page.click("summary")
    assert phone.fits()


def test_long_names_neither_scroll_sideways_nor_push_the_buttons_away(chromium: Browser, tmp_path: Path) -> None:
    session = draw_free_session(["left_turn_indicator_of_the_steering_column_stalk"], slots=24, seed=2)
    phone = Phone(chromium, tmp_path, session)
    assert phone.fits()
    phone.page.click("#start")
    for _ in range(12):
        phone.wait(1.5)
        assert phone.fits()
        box = phone.page.locator("[data-tick=wrong]").bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= 780
    phone.wait(session.duration_s)
    assert phone.fits()
    assert phone.trouble == []
    phone.context.close()


def _held_session() -> Session:
    """Two controls held together, with names and a title that try to break out of the page."""
    steps = (
        SessionStep(1, 0, "hold", "front", 0.0, 2.0, 2.0, 4.0, mark=Mark(2.0, "front", 10.0)),
        SessionStep(2, 0, "operate", "rear", 4.0, 5.0, 6.0, 8.0, held=("front",), mark=Mark(5.0, "rear", 6.0)),
        SessionStep(3, 0, "release", "front", 8.0, 10.0, 10.0, 12.0),
        SessionStep(4, 0, "wait", "", 12.0, 12.0, 12.0, 14.0),
    )
    title = "</script><img src=x onerror=alert(1)>\n{{ 7 * 7 }}"
    part = Part("<b>Held</b>", "")
    return Session(title, 1, (ControlNote("front", "<i>on</i>"),), "", (part,), steps, (), 0.01)


def test_a_held_control_is_noted_until_it_is_let_go(chromium: Browser, tmp_path: Path) -> None:
    phone = Phone(chromium, tmp_path, _held_session())
    assert "onerror" in phone.text("h1")
    assert "{{ 7 * 7 }}" in phone.text("h1")
    phone.page.click("#start")
    phone.wait(5.5)
    assert phone.text("#held") == "Keep holding front"
    assert phone.text("#part") == "<b>Held</b>"
    phone.wait(9)
    marks, text = phone.saved()
    assert marks == [Mark(2.0, "front", 10.0), Mark(5.0, "rear", 6.0)]
    assert text.splitlines()[0].startswith("# </script><img src=x onerror=alert(1)> {{")
    assert phone.trouble == []
    phone.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_phase_can_be_read_by_day_and_by_night(chromium: Browser, tmp_path: Path, scheme: str) -> None:
    phone = Phone(chromium, tmp_path, SESSION, color_scheme=scheme)
    phone.page.click("#start")
    seen = set()
    for _ in range(80):
        phone.wait(0.7)
        phase = phone.page.get_attribute("#stage", "data-phase")
        if phase not in seen:
            seen.add(phase)
            behind = ".track" if phase == "on" else "body"
            key = "fill" if phase == "on" else "backgroundColor"
            tone = _luminance(phone.page, "#count", "color")
            ground = _luminance(phone.page, behind, key)
            low, high = sorted((tone, ground))
            assert (high + 0.05) / (low + 0.05) >= READABLE, phase
    assert seen == {"wait", "ready", "on", "off", "rest"}
    phone.context.close()


def _luminance(page: Page, selector: str, key: str) -> float:
    """Return the relative luminance of a colour of an element (WCAG 2.2, definition of relative luminance)."""
    text = page.evaluate("([s, k]) => getComputedStyle(document.querySelector(s))[k]", [selector, key])
    parts = [int(part) / 255 for part in text.removeprefix("rgb(").removesuffix(")").split(",")]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_there_is_no_barrier_before_during_and_after(chromium: Browser, tmp_path: Path, axe: str, scheme: str) -> None:
    phone = Phone(chromium, tmp_path, SESSION, color_scheme=scheme)
    phone.page.evaluate(axe)
    assert _barriers(phone.page) == []
    phone.page.click("#start")
    phone.wait(8)
    assert _barriers(phone.page) == []
    phone.wait(SESSION.duration_s)
    assert phone.text("h1 >> visible=true") == "Finished"
    assert _barriers(phone.page) == []
    phone.context.close()


def _barriers(page: Page) -> list[str]:
    """Return what axe-core finds that shuts somebody out, in the page as it stands."""
    page.evaluate("() => { window.found = null; axe.run().then(all => { window.found = all.violations }); }")
    for _ in range(100):
        page.clock.run_for(10)
        if page.evaluate("window.found !== null"):
            break
    found: list[dict[str, Any]] = page.evaluate("window.found")
    grave = [each for each in found if each["impact"] in ("serious", "critical")]
    return [f"{each['id']}: {[node['html'][:150] for node in each['nodes']]}" for each in grave]
