from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

import canlens
from canlens.database import Database
from canlens.job import JobDetails, PartShape, VehicleShape
from canlens.plan import Output, Plan, parse_rule
from canlens.reports.phrases import planned_words, rule_words
from canlens.reports.sheet import SIGN_OFF, customer_sheet
from tests.unit import sample_results as sample

ROOT = Path(canlens.__file__).parents[1]
KNOWN = ("horn", "ignition", "brake_front", "dusk")


def _plan(names: tuple[str, ...] = ("siren", "flood", "lamp")) -> Plan:
    outputs = {name: Output(name, parse_rule("horn", KNOWN), run_on_s=12.0) for name in names}
    return Plan("title", "plan.toml", Database(), {}, outputs)


def _plain(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.partition("</head>")[2])).split())


def test_the_sheet_says_what_was_fitted_what_is_planned_and_what_was_seen() -> None:
    details = JobDetails(
        vehicle=VehicleShape(registration="AB 1"), parts={"r": PartShape(what="relay", output="siren", fuse_a=15)}
    )
    text = _plain(customer_sheet(sample.FAILED, _plan(), details))
    assert "FAILED – 1 of 3 outputs does not do what the plan says." in text
    assert "Registration AB 1" in text
    assert "siren two-tone siren fuse 15 A On while horn is on; stays on 12 s longer." in text
    assert (
        "✗ Not as planned: 0 of 5 exercises answered; on 4 times without being asked. It follows: brake front." in text
    )
    assert "? Not shown: ignition was exercised once" in text
    assert "✓ As planned: asked for 5 times, answered every time, typically within 23.4 ms." in text


def test_the_sheet_names_what_was_not_tested_what_is_normal_and_who_signs() -> None:
    text = _plain(customer_sheet(sample.FAILED, _plan(), not_tested=["Rain."]))
    section = text.split("Not tested")[1].split("This is normal")[0]
    assert "For any output: whether the load works: look, listen, measure." in section
    assert "Wiring, fuses, ground" in section
    assert "Rain." in section
    assert "siren stays on 12 s longer." in text.split("This is normal")[1]
    assert all(each in text for each in SIGN_OFF)


@pytest.mark.parametrize(
    "name",
    ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "a\u202eb\x1b[31m", "{{ 7*7 }}", "&lt;b&gt;"],
)
def test_hostile_names_stay_text(name: str) -> None:
    result = replace(sample.FAILED, title=name, outputs={name: replace(sample.failed(name), load=name, reason=name)})
    details = JobDetails(customer=name, explained=(name,), not_tested=(name,))
    page = customer_sheet(result, _plan((name,)), details, not_tested=details.not_tested)
    assert "<script" not in page
    assert "<img" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    shown = name if name.isprintable() else "a\\u202eb\\x1b[31m"
    assert _plain(page).count(shown) >= 5


def test_what_is_too_long_for_the_sheet_is_cut_visibly() -> None:
    result = replace(sample.FAILED, title="t" * 500)
    assert f"{'t' * 149}…" in customer_sheet(result, _plan())


def test_every_rule_of_the_sample_plan_is_said_in_plain_words() -> None:
    plan = canlens.read_plan(ROOT / "traces" / "quernholt.toml")
    assert planned_words(plan.outputs["stop_repeater"]) == "On while brake front or brake rear is on"
    assert planned_words(plan.outputs["grip_heater"]) == "On while ignition is on; goes off after 45 s at the latest"
    assert planned_words(plan.outputs["bed_lamp"]) == (
        "On while ignition is on; level 100 %; 40 % while dusk is on; flashes 2 times a second while horn is on"
    )


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("horn", "horn is on"),
        ("not horn", "horn is off"),
        ("horn and dusk and ignition", "horn, dusk and ignition are on"),
        ("not (horn and dusk)", "horn or dusk is off"),
        ("not horn and dusk", "horn is off and dusk is on"),
        ("horn or not (ignition and not dusk)", "horn is on or (ignition is off or dusk is on)"),
    ],
)
def test_a_rule_in_words_means_what_it_says(rule: str, words: str) -> None:
    assert rule_words(parse_rule(rule, KNOWN)) == words
