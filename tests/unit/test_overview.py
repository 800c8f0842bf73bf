"""Survey of a bus: the result, its loads, its tables, and recordings that are odd."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import jsonschema
import numpy as np
import pytest

import canlens
from canlens.errors import UsageError
from canlens.reports.data_files import json_bytes
from canlens.reports.schema import survey_schema
from canlens.trace import Kind, Trace
from tests.recordings import Frame, recording
from tests.unit.small_buses import Sent, SmallBus, bus, counting, others

if TYPE_CHECKING:
    from canlens.overview import Survey

KEYS = ["schema", "canlens", "verdict", "recording", "bus", "identifiers", "errors", "quiet", "findings", "causes"]


def plain() -> SmallBus:
    return bus(Sent("Speed", 0x100, every_s=0.05, payload=counting(), declared_s=0.05), *others(), end_s=12)


def on_two_channels() -> Trace:
    frames = [Frame(identifier=0x100 + number % 2, channel=f"can{number % 2}") for number in range(400)]
    return recording(frames)


@pytest.fixture(scope="module")
def overview() -> Survey:
    one = plain()
    return canlens.survey(one.trace, one.plan.database, bit_rate=500_000)


def test_a_well_bus_shows_no_failure_and_no_warning(overview: Survey) -> None:
    assert overview.verdict == "no-failure-found"
    assert {each.severity for each in overview.result.findings} <= {"note"}


def test_the_written_form_holds_the_keys_and_obeys_its_schema(overview: Survey) -> None:
    document = json.loads(json_bytes(overview.to_dict()))
    assert list(document) == KEYS
    jsonschema.validate(document, survey_schema())
    row = document["identifiers"][0]
    assert (row["identifier"], row["message"], row["sender"]) == ("0x100", "Speed", "Node")
    assert (row["frames"], row["cycle_time_s"], row["payload_length"]) == (241, 0.05, 2)
    assert row["interval_s"] == pytest.approx({"median": 0.05, "min": 0.05, "max": 0.05, "sd": 0.0}, abs=1e-9)
    assert row["counter"] == {
        "start_bit": 0, "length": 4, "lowest": 0, "highest": 15, "skipped": 0, "repeated": 0,
    }  # fmt: skip


def test_loads_of_identifiers_and_of_senders_add_up_to_the_load_of_the_bus(overview: Survey) -> None:
    document = overview.to_dict()
    total = document["bus"]["bus_load"]
    assert sum(each["bus_load"] for each in document["identifiers"]) == pytest.approx(total, rel=1e-12)
    assert sum(document["bus"]["by_sender"].values()) == pytest.approx(total, rel=1e-12)
    assert set(document["bus"]["by_sender"]) == {"Node", "Node0", "Node1", "Node2"}
    formulas = document["bus"]["formulas"]
    assert formulas["without_stuffing"] <= total <= formulas["worst_case"]
    assert document["bus"]["intermission_bits"] == 3


def test_tables_are_those_of_the_written_form(overview: Survey) -> None:
    tables = overview.tables()
    assert list(tables) == ["identifiers", "buses", "wakes", "findings", "causes"]
    assert tables["identifiers"]["interval_s_median"].round(3).tolist() == [0.05] * 4
    assert tables["buses"]["bit_rate"].tolist() == [500_000]


def test_several_channels_are_told_apart_and_each_has_its_load() -> None:
    document = canlens.survey(on_two_channels(), bit_rate=500_000).to_dict()
    assert list(document["buses"]) == ["can0", "can1"]
    assert document["bus"] == document["buses"]["can0"]
    assert [(each["channel"], each["identifier"]) for each in document["identifiers"]] == [
        ("can0", "0x100"),
        ("can1", "0x101"),
    ]
    for each in document["identifiers"]:
        load = document["buses"][each["channel"]]["bus_load"]
        assert each["bus_load"] == pytest.approx(load, rel=1e-12)


def test_one_channel_can_be_chosen_and_its_loads_are_the_same() -> None:
    every = canlens.survey(on_two_channels(), bit_rate=500_000).to_dict()
    own = canlens.survey(on_two_channels(), bit_rate=500_000, channel="can1").to_dict()
    assert own["bus"] == every["buses"]["can1"]
    assert own["identifiers"] == every["identifiers"][1:]


def test_a_channel_that_is_not_there_is_refused() -> None:
    with pytest.raises(UsageError, match="can7"):
        canlens.survey(on_two_channels(), channel="can7")


def test_a_bit_rate_that_is_none_is_refused() -> None:
    with pytest.raises(UsageError, match="above 0"):
        canlens.survey(plain().trace, bit_rate=-5)


def test_an_empty_recording_is_a_failure_without_numbers() -> None:
    overview = canlens.survey(Trace.empty())
    document = overview.to_dict()
    assert overview.verdict == "failure-found"
    assert [each["check"] for each in document["findings"] if each["severity"] == "failure"] == ["no-traffic"]
    assert document["identifiers"] == []
    assert document["quiet"]["last_frame_s"] is None
    jsonschema.validate(document, survey_schema())


def test_error_records_alone_have_no_identifiers() -> None:
    overview = canlens.survey(recording([Frame(kind=Kind.ERROR, identifier=0x8)] * 5), bit_rate=500_000)
    document = overview.to_dict()
    assert document["identifiers"] == []
    assert document["errors"]["frames"] == 5
    jsonschema.validate(document, survey_schema())


def test_a_single_frame_has_a_row_without_intervals() -> None:
    document = canlens.survey(recording([Frame(payload=b"\x01")]), bit_rate=500_000).to_dict()
    (row,) = document["identifiers"]
    assert (row["frames"], row["interval_s"], row["kind"]) == (1, None, "too-few")
    jsonschema.validate(document, survey_schema())


def test_a_poor_recording_is_too_poor_to_judge() -> None:
    trace = plain().trace
    restarted = (np.arange(len(trace)) // (len(trace) // 10)).astype(np.int32)
    assert canlens.survey(replace(trace, segment=restarted)).verdict == "too-poor"


def test_an_unknown_bit_rate_is_said_with_its_reason_and_everything_else_is_measured() -> None:
    document = canlens.survey(plain().trace).to_dict()
    assert document["bus"]["bit_rate"] is None
    assert document["bus"]["bus_load"] is None
    assert document["bus"]["bit_rate_because"]
    assert all(each["bus_load"] is None for each in document["identifiers"])
    assert all(each["fitted_cycle_s"] for each in document["identifiers"])


def test_shifting_all_stamps_changes_nothing_but_the_start() -> None:
    one = plain().trace
    later = replace(one, time_ns=one.time_ns + 86_400 * 10**9)
    first, second = (canlens.survey(each, bit_rate=500_000).to_dict() for each in (one, later))
    assert first["recording"].pop("start") != second["recording"].pop("start")
    assert first == second
