from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest

from canlens.database import Database
from canlens.job import (
    ConnectionShape,
    ControllerDetails,
    JobDetails,
    PartShape,
    RecorderShape,
    StateShape,
    VehicleShape,
)
from canlens.nouns.bus import JudgedReading
from canlens.plan import Output, Plan, parse_rule
from canlens.reports.sheet import SIGN_OFF, job_record
from canlens.results.check import RestResult
from canlens.results.handover import DatabaseRow, InputRow, LeftOutRow, Manifest
from tests.unit import sample_results as sample

DETAILS = JobDetails(
    number="17",
    done=("Plug cleaned.",),
    explained=("The radio stays on.",),
    vehicle=VehicleShape(kind="tug", vin="V17"),
    controller=ControllerDetails(model="box", configuration="profile 3"),
    parts={"relay": PartShape(what="relay, 30 A", fuse_a=15, fuse_at="battery plus")},
    connection=ConnectionShape(terminator_found="in the plug"),
    before=StateShape(h_l_ohm=60.2, codes=("none",)),
    after=StateShape(sleep_ma=12.0, note="all well"),
    recorder=RecorderShape(adapter="USB", listen_only=True, error_frames=False),
)
READING = JudgedReading("h_l_ohm", 118.0, "ohm", (56.0, 64.0), "workshop manual", "odd", "one terminator")


def _manifest(job: JobDetails | None) -> Manifest:
    return Manifest(
        verdict="failed",
        title="t",
        redacted=True,
        left_out=(LeftOutRow("customer", 3), LeftOutRow("the clock", 0)),
        not_tested=("Rain.",),
        inputs=(InputRow("recording", "job.log", "ab" * 32, 1234, None), InputRow("marks", "m.csv", None, None, None)),
        databases=(DatabaseRow("bus.dbc", "1.7", "cd" * 32),),
        files=(),
        python="3.12.1",
        libraries={"numpy": "2.0"},
        decimal_sign="point",
        sign_off=SIGN_OFF,
        job=job,
    )


def _plan(names: tuple[str, ...]) -> Plan:
    return Plan("t", "p.toml", Database(), {}, {name: Output(name, parse_rule("horn", ["horn"])) for name in names})


def _plain(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.partition("</head>")[2])).split())


def _record(job: JobDetails | None = DETAILS) -> str:
    result = replace(sample.FAILED, quiet=RestResult(40.0, 41.0, 47.5, "Keys", "Dash", 25.0))
    return job_record(result, _plan(("siren", "flood", "lamp")), _manifest(job), [READING])


@pytest.mark.parametrize(
    "part",
    [
        "number 17",
        "vehicle identification number V17",
        "CAN H to CAN L 60.2 ohm Code: none",
        "terminator found in the plug",
        "configuration profile 3",
        "relay relay, 30 A 15 battery plus",
        "current while asleep 12 mA note all well",
        "CAN H to CAN L 118 ohm 56 to 64 ohm workshop manual",
        "siren two-tone siren On while horn is on FAILED: 0 of 5 exercises answered",
        "0 of 5 – / – ms",
        "last frame 7.500 s after it, Keys of Dash",
        "FAILURE, safety item: horn went on 5 times and siren did not follow once.",
        "What was done about them Plug cleaned.",
        "Not tested Rain.",
        "Normal behaviour, explained The radio stays on.",
        "listen only yes error frames no",
        f"job.log recording 1234 {'ab' * 32}",
        "m.csv marks – not hashed",
        "Python 3.12.1 numpy 2.0 database bus.dbc 1.7",
        "customer, met 3 times the clock",
        "Explained to me and received, date",
    ],
)
def test_the_record_holds(part: str) -> None:
    assert part in _plain(_record())


def test_without_details_the_record_holds_what_was_found() -> None:
    text = _plain(_record(None))
    assert "Vehicle" not in text
    assert "Parts that were fitted" not in text
    assert "siren two-tone siren" in text


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "a\u202eb\x1b[31m", "{{ 7*7 }}"])
def test_hostile_texts_stay_text(name: str) -> None:
    result = replace(sample.FAILED, title=name, outputs={name: replace(sample.failed(name), load=name, reason=name)})
    details = JobDetails(customer=name, done=(name,), parts={name: PartShape(what=name)})
    page = job_record(result, _plan((name,)), _manifest(details))
    assert "<script" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    shown = name if name.isprintable() else "a\\u202eb\\x1b[31m"
    assert _plain(page).count(shown) >= 7
