from __future__ import annotations

import json
from dataclasses import replace
from math import inf, nan

import pytest

from canlens.nouns.bus import BusResult
from canlens.reports.data_files import json_bytes
from canlens.results.check import LatencyResult, to_dict
from tests.unit import sample_results as sample

KEYS = [
    "schema",
    "canlens",
    "verdict",
    "title",
    "recording",
    "bus",
    "controls",
    "outputs",
    "findings",
    "causes",
    "next_exercises",
    "fit",
    "quiet",
]
"""In the order of the published form."""


def test_the_answer_stands_first_and_the_order_is_fixed() -> None:
    assert list(json.loads(json_bytes(to_dict(sample.FAILED)))) == KEYS


def test_what_is_endless_or_missing_is_null() -> None:
    output = replace(sample.proven(), latency_s=LatencyResult(median=nan, max=inf))
    document = json.loads(json_bytes(to_dict(replace(sample.PROVEN, outputs={"siren": output}))))
    assert document["outputs"]["siren"]["latency_s"] == {"median": None, "max": None}


def test_one_recording_stands_by_itself_and_evidence_needs_no_number_of_it() -> None:
    document = json.loads(json_bytes(to_dict(sample.FAILED)))
    assert document["recording"]["file"] == "job.log"
    assert document["findings"][1]["evidence"] == {"lines": [812, 1544], "times_s": [3.1, 7.25]}


def test_several_recordings_are_a_list_and_evidence_says_which() -> None:
    second = replace(sample.RECORDING, file="second.log")
    document = json.loads(json_bytes(to_dict(replace(sample.FAILED, recordings=(sample.RECORDING, second)))))
    assert "recording" not in document
    assert [recording["file"] for recording in document["recordings"]] == ["job.log", "second.log"]
    assert document["findings"][0]["evidence"]["recording"] == 0


def test_buses_are_written_only_where_there_are_several() -> None:
    other = BusResult(bit_rate=None, bit_rate_source="unknown", bus_load=None, bus_load_peak=None, window_s=1.0)
    assert "buses" not in to_dict(sample.FAILED)
    document = json.loads(json_bytes(to_dict(replace(sample.FAILED, buses={"can0": sample.BUS, "can1": other}))))
    assert list(document["buses"]) == ["can0", "can1"]
    assert document["buses"]["can1"]["bus_load"] is None


def test_the_file_is_utf8_and_ends_with_a_newline() -> None:
    content = json_bytes(to_dict(replace(sample.PROVEN, title="Bühne 60 Ω")))
    assert "Bühne 60 Ω" in content.decode("utf-8")
    assert content.endswith(b"}\n")


def test_a_file_name_that_is_no_text_survives_the_round_trip() -> None:
    name = b"job\xff.log".decode("utf-8", "surrogateescape")
    recording = replace(sample.RECORDING, file=name)
    content = json_bytes(to_dict(replace(sample.PROVEN, recordings=(recording,))))
    assert json.loads(content)["recording"]["file"] == name


def test_control_characters_in_names_are_escaped_as_json_wants() -> None:
    content = json_bytes(to_dict(replace(sample.PROVEN, title="\x1b[31m[bold]\n")))
    assert b"\x1b" not in content  # RFC 8259, section 7
    assert json.loads(content)["title"] == "\x1b[31m[bold]\n"


def test_a_number_that_is_not_finite_is_never_written() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_bytes({"latency_s": inf})


def test_a_value_without_a_written_form_is_an_error_not_a_guess() -> None:
    with pytest.raises(TypeError, match="set has no written form"):
        to_dict(replace(sample.PROVEN, controls={"a set"}))  # type: ignore[arg-type]
