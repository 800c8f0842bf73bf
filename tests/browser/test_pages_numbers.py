"""The numbers of a page are those of the JSON, and foreign names stay text."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.browser.shown import JobPages, Shown

HOSTILE = (
    "=cmd|'/c calc'!A1 <script>document.title='broken in'</script> \x1b[31m\u202e\"&quot; <img src=x> [b]x[/b] %{x}"
)
"""Something for every place: a spreadsheet, a page, a console, a drawing."""


def _milliseconds(value: float | None) -> str:
    return "–" if value is None else f"{value * 1000:.{1 if value < 0.1 else 0}f}"


@pytest.mark.parametrize("name", ["failed", "proven"])
def test_outputs_and_controls_bear_the_numbers_of_the_json(
    job_page: Callable[..., Shown], job_pages: JobPages, name: str
) -> None:
    shown, document = job_page(name), job_pages.document(name)
    rows = {row[0]: row[1:] for row in shown.cells("Outputs, each by its own rule")}
    assert rows == {
        output: [
            each["planned"],
            each["verdict"].upper().replace("-", " "),
            f"{each['answered']} of {each['due']}",
            str(each["late"]),
            str(each["unasked"]),
            str(each["too_short"]),
            f"{_milliseconds(each['latency_s']['median'])} / {_milliseconds(each['latency_s']['max'])}",
            each["observed"] or "–",
        ]
        for output, each in document["outputs"].items()
    }
    controls = {row[0]: row[2] for row in shown.cells("Controls: when operated first and last")}
    assert controls == {control: str(each["exercises"]) for control, each in document["controls"].items()}


def test_links_findings_and_causes_are_those_of_the_json(job_page: Callable[..., Shown], job_pages: JobPages) -> None:
    shown, document = job_page("failed"), job_pages.document("failed")
    words = {"seen": "seen", "broken": "broken", "cannot-tell": "cannot tell"}
    for number, each in enumerate(document["outputs"].values(), 1):
        states = shown.page.locator(f"#chain-{number} .links .state").all_inner_texts()
        assert states == [words[state] for state in each["links"].values()]
    claims = shown.page.locator("article.finding h3").all_inner_texts()
    assert sorted(claims) == sorted(each["claim"] for each in document["findings"])
    odds = shown.page.locator("article.cause .odds b").all_inner_texts()
    assert odds == [f"{each['probability'] * 100:.0f} %" for each in document["causes"]]


def test_evidence_bears_the_lines_of_the_json_with_the_bytes_of_the_log(
    job_page: Callable[..., Shown], job_pages: JobPages
) -> None:
    shown, document = job_page("failed"), job_pages.document("failed")
    by_claim = {each["claim"]: each["evidence"]["lines"] for each in document["findings"]}
    log = job_pages.log("failed")
    for article in shown.page.locator("article.finding").all():
        rows = article.locator(".quotes tbody tr").all()
        lines = by_claim[article.locator("h3").first.inner_text()]
        assert [int(row.locator("th").text_content() or "") for row in rows] == lines
        for row, line in zip(rows, lines, strict=True):
            payload = (row.locator(".bytes").text_content() or "").replace(" ", "")
            stamp = row.locator("td").nth(1).text_content() or ""
            assert log[line - 1].startswith(f"({stamp})")
            assert log[line - 1].split("#")[1] == payload


def test_a_survey_bears_the_numbers_of_the_json(job_page: Callable[..., Shown], job_pages: JobPages) -> None:
    shown, document = job_page("survey"), job_pages.document("survey")
    rows = {row[0]: (row[1], row[3], row[9]) for row in shown.cells("Identifiers")}
    assert rows == {
        each["identifier"]: (each["message"], str(each["frames"]), f"{each['bus_load'] * 100:.1f} %")
        for each in document["identifiers"]
    }
    assert f"{document['bus']['bus_load'] * 100:.1f} %" in shown.text("#load")


def test_a_comparison_bears_the_changes_of_the_json(job_page: Callable[..., Shown], job_pages: JobPages) -> None:
    shown, document = job_page("compare"), job_pages.document("compare")
    told = shown.page.locator("article.finding h3").all_inner_texts()
    assert [each.rstrip(".") for each in told] == [each["sentence"].rstrip(".") for each in document["changes"]]
    assert shown.text(".stamp") == document["verdict"].upper().replace("-", " ")
    assert shown.page.locator("#untested li").count() == len(document["not_compared"])


@pytest.fixture
def hostile_job(tmp_path: Path, job_pages: JobPages) -> dict[str, Any]:
    """Write the sample job with foreign names wherever a file lets them stand."""
    text = json.dumps(HOSTILE)  # a string of JSON is one of TOML
    plan = job_pages.plan.read_text("utf-8").replace('load = "hut radio"', f"load = {text}")
    plan = plan.replace('terminal = "plug 1, pin 3"', f"terminal = {text}")
    plan = plan.replace('title = "Quernholt hut carrier, Hutbox under the load bed"', f"title = {text}")
    plan = plan.replace("../dbc_examples/quernholt.dbc", "<b>hostile<b>.dbc")
    (tmp_path / "plan.toml").write_text(plan, "utf-8")
    inside = HOSTILE.replace('"', "'")
    dbc = (
        job_pages.database.read_text("utf-8")
        .replace('"bar"', f'"{inside}"')
        .replace('"Pressed"', f'"Pressed" 9 "{inside}"')
    )
    (tmp_path / "<b>hostile<b>.dbc").write_text(f'{dbc}\nBO_ {inside}\nCM_ "{inside}";\n', "utf-8")
    lines = job_pages.log("failed")
    lines.insert(1000, f"({HOSTILE}")
    lines.insert(1001, "(1760000007.000000) <script>alert(2)</script> 123#00")
    log = tmp_path / "<img src=x onerror=alert(3)>.log"
    log.write_text("".join(f"{line}\n" for line in lines), "utf-8")
    (tmp_path / "marks.csv").write_text("time_s,label\n11.9,horn\n68.0,horn\n", "utf-8")
    return {"plan": tmp_path / "plan.toml", "log": log, "marks": tmp_path / "marks.csv", "folder": tmp_path}


def test_foreign_names_stay_text(show: Callable[..., Shown], job_pages: JobPages, hostile_job: dict[str, Any]) -> None:
    page = job_pages.write(
        "check",
        str(hostile_job["plan"]),
        str(hostile_job["log"]),
        "--marks",
        str(hostile_job["marks"]),
        folder=hostile_job["folder"],
    )
    shown = show(page, width=390)
    content = page.read_text("utf-8")
    assert "\x1b" not in content
    assert "\u202e" not in content
    own = "script:not([type='application/json'])"
    assert shown.page.locator(own).count() == 2  # the page's own and the drawing library
    assert shown.page.locator("img").count() == 0
    assert shown.page.title().startswith("FAILED – =cmd|")
    visible = shown.text("body")
    assert "<script>document.title='broken in'</script>" in visible
    assert "\\x1b[31m\\u202e" in visible
    assert "<img src=x onerror=alert(3)>.log" in visible
    assert "<script>alert(2)</script>" in visible
    assert shown.overflow() <= 0


def test_a_survey_of_foreign_names_stays_text(
    show: Callable[..., Shown], job_pages: JobPages, hostile_job: dict[str, Any]
) -> None:
    shown = show(job_pages.write("survey", str(hostile_job["log"]), folder=hostile_job["folder"]))
    assert shown.page.locator("img").count() == 0
    assert "<script>alert(2)</script>" in shown.text("body")


def test_a_comparison_of_foreign_names_stays_text(
    show: Callable[..., Shown], job_pages: JobPages, hostile_job: dict[str, Any]
) -> None:
    log = str(hostile_job["log"])
    shown = show(job_pages.write("compare", str(job_pages.recording("failed")), log, folder=hostile_job["folder"]))
    assert shown.page.locator("img").count() == 0
    assert "<img src=x onerror=alert(3)>.log" in shown.text("body")
