"""Survey of any recording: it never stumbles, its parts add up, and it writes what its schema allows."""

from __future__ import annotations

from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import canlens
from canlens.reports.schema import survey_schema
from canlens.reports.survey_text import survey_text
from canlens.trace import Kind, Trace
from tests.recordings import Frame, recording

VALIDATOR = jsonschema.Draft202012Validator(survey_schema())

frames = st.builds(
    Frame,
    payload=st.binary(max_size=8),
    identifier=st.sampled_from([0, 1, 0x123, 0x7FF, 0x1FFFFFFF]),
    is_extended=st.just(True),
    kind=st.sampled_from([Kind.DATA, Kind.DATA, Kind.DATA, Kind.REMOTE, Kind.ERROR]),
    channel=st.sampled_from(["can0", "vcan 1"]),
)
steps_ns = st.sampled_from([0, 1, 100_000, 1_000_000, 10_000_000, 50_000_000, 3_000_000_000, -1_000_000, -(10**12)])


@st.composite
def traces(draw: st.DrawFn) -> Trace:
    """Draw a recording whose stamps repeat, jump and step backwards, and whose clock may restart."""
    trace = recording(draw(st.lists(frames, max_size=120)))
    number = len(trace)
    steps = draw(st.lists(steps_ns, min_size=number, max_size=number))
    restarts = (
        draw(st.lists(st.booleans(), min_size=number, max_size=number)) if draw(st.booleans()) else [False] * number
    )
    return replace(
        trace,
        time_ns=10**18 + np.cumsum(np.array(steps, np.int64)) if number else trace.time_ns,
        segment=np.cumsum(np.array(restarts, np.int32)).astype(np.int32) if number else trace.segment,
    )


@given(traces(), st.sampled_from([None, 10_000, 500_000]))
@settings(deadline=None)
def test_any_recording_gives_a_page_and_a_form_that_obeys_the_schema(trace: Trace, bit_rate: int | None) -> None:
    overview = canlens.survey(trace, bit_rate=bit_rate)
    document = overview.to_dict()
    VALIDATOR.validate(document)
    assert max(map(len, survey_text(overview.result).splitlines())) <= 80
    told = sum(each["frames"] for each in document["identifiers"])
    assert told == int((trace.kind != Kind.ERROR).sum())


@given(traces())
@settings(deadline=None)
def test_loads_of_the_identifiers_add_up_to_that_of_their_channel(trace: Trace) -> None:
    document = canlens.survey(trace, bit_rate=500_000).to_dict()
    buses = document.get("buses", dict.fromkeys(trace.channels, document["bus"]))
    for name, bus in buses.items():
        loads = [each["bus_load"] for each in document["identifiers"] if each["channel"] == name]
        if bus["bus_load"] is not None:
            assert sum(loads) == pytest.approx(bus["bus_load"], rel=1e-9, abs=1e-12)
