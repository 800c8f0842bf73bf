"""What a hand-over prints: the customer sheet on one page of A4 and of Letter, and the workshop's record."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import pytest

from canlens.database import Database
from canlens.job import ControllerDetails, JobDetails, PartShape, VehicleShape
from canlens.plan import Output, Plan, parse_rule
from canlens.reports.sheet import SIGN_OFF, customer_sheet, job_record
from canlens.results.handover import InputRow, Manifest
from tests.unit import sample_results as sample

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser

    from canlens.results.check import CheckResult

Scheme: TypeAlias = Literal["light", "dark"]
KNOWN = ("horn_button", "brake_lever_front", "brake_lever_rear", "ignition", "dusk")
LONG = "a text that goes on for longer than anybody should write on a sheet that a customer has to sign, and then on "


def _pages(pdf: bytes) -> int:
    """Count the pages of a PDF: its objects of type Page (ISO 32000-1, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def _job(outputs: int, *, text: str = "") -> tuple[CheckResult, Plan, JobDetails]:
    """Return a job with so many outputs, failed, open and proven by turns, and every detail filled in."""
    kinds = (sample.failed, sample.unproven, sample.proven)
    names = [f"output_number_{number}" for number in range(outputs)]
    results = {}
    for number, name in enumerate(names):
        one = kinds[number % 3]()
        load = text or "repeater of the stop lamp at the tail of the load bed"
        results[name] = replace(one, load=load, reason=text or one.reason)
    rule = parse_rule("brake_lever_front or brake_lever_rear", KNOWN)
    flash = parse_rule("horn_button", KNOWN)
    planned = {name: Output(name, rule, run_on_s=12, cut_after_s=600, flash_when=flash, flash_hz=2) for name in names}
    value = text or "some text of usual length"
    details = JobDetails(
        number=value,
        date="2026-03-09",
        customer=value,
        place=value,
        fitted_by=value,
        checked_by=value,
        vehicle=VehicleShape(kind=value, registration=value, vin=value, owner=value, odometer=812345),
        controller=ControllerDetails(model=value, configuration=value),
        parts={
            name: PartShape(what=value, output=name, fuse_a=15, fuse_at=text or "battery plus, under the seat")
            for name in names
        },
        explained=(value,) * 20,
        not_tested=(value,) * 20,
    )
    return (
        replace(sample.FAILED, title=text or sample.FAILED.title, outputs=results),
        Plan("title", "plan.toml", Database(), {}, planned),
        details,
    )


@pytest.mark.parametrize("paper_format", ["A4", "Letter"])
@pytest.mark.parametrize(("outputs", "text"), [(1, ""), (6, ""), (6, LONG * 3), (9, ""), (12, ""), (12, LONG * 3)])
def test_the_sheet_prints_on_one_page(
    chromium: Browser, tmp_path: Path, paper_format: str, outputs: int, text: str
) -> None:
    result, plan, details = _job(outputs, text=text)
    (tmp_path / "sheet.html").write_text(customer_sheet(result, plan, details, not_tested=details.not_tested), "utf-8")
    page = chromium.new_page()
    page.goto((tmp_path / "sheet.html").as_uri())
    assert _pages(page.pdf(format=paper_format)) == 1
    page.close()


def test_more_outputs_than_a_page_holds_go_on_to_the_next_with_the_heading(chromium: Browser, tmp_path: Path) -> None:
    result, plan, details = _job(40)
    (tmp_path / "sheet.html").write_text(customer_sheet(result, plan, details), "utf-8")
    page = chromium.new_page()
    page.goto((tmp_path / "sheet.html").as_uri())
    assert _pages(page.pdf(format="A4")) >= 2
    page.close()


def test_the_sheet_asks_for_nothing_and_fits_a_phone(chromium: Browser, tmp_path: Path) -> None:
    result, plan, details = _job(6)
    (tmp_path / "sheet.html").write_text(customer_sheet(result, plan, details), "utf-8")
    page = chromium.new_page(viewport={"width": 390, "height": 800})
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto((tmp_path / "sheet.html").as_uri())
    assert asked == [(tmp_path / "sheet.html").as_uri()]
    assert said == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.close()


def test_hostile_texts_run_nothing(chromium: Browser, tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script><img src=x onerror=alert(2)>\"' onload=alert(3)"
    result, plan, details = _job(3, text=hostile)
    (tmp_path / "sheet.html").write_text(customer_sheet(result, plan, details), "utf-8")
    page = chromium.new_page()
    asked: list[str] = []
    opened: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("dialog", lambda dialog: opened.append(dialog.message))
    page.goto((tmp_path / "sheet.html").as_uri())
    assert opened == []
    assert len(asked) == 1
    assert hostile in page.inner_text("h1")
    page.close()


def _manifest(details: JobDetails) -> Manifest:
    """Return the manifest of a job with long texts."""
    return Manifest(
        verdict="failed",
        title="title",
        redacted=False,
        left_out=(),
        not_tested=(LONG,),
        inputs=(InputRow("recording", f"{LONG}.log", "ab" * 32, 1234567, None),),
        databases=(),
        files=(),
        python="3.12.1",
        libraries={},
        decimal_sign="point",
        sign_off=SIGN_OFF,
        job=details,
    )


@pytest.mark.parametrize("width", [390, 1280])
def test_the_record_of_the_workshop_asks_for_nothing_and_fits_its_window(
    chromium: Browser, tmp_path: Path, width: int
) -> None:
    result, plan, details = _job(12, text=LONG)
    (tmp_path / "record.html").write_text(job_record(result, plan, _manifest(details)), "utf-8")
    page = chromium.new_page(viewport={"width": width, "height": 800})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto((tmp_path / "record.html").as_uri())
    assert len(asked) == 1
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("th[scope=col]").count() > 10
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["sheet", "record"])
def test_there_is_no_barrier(chromium: Browser, tmp_path: Path, axe: str, name: str, scheme: Scheme) -> None:
    result, plan, details = _job(6)
    sheet, record = customer_sheet(result, plan, details), job_record(result, plan, _manifest(details))
    (tmp_path / "page.html").write_text(sheet if name == "sheet" else record, "utf-8")
    page = chromium.new_page(color_scheme=scheme)
    page.goto((tmp_path / "page.html").as_uri())
    page.evaluate(axe)
    found: list[dict[str, Any]] = page.evaluate("axe.run().then(found => found.violations)")
    page.close()
    assert [(each["id"], each["impact"], each["nodes"][0]["html"]) for each in found] == []
