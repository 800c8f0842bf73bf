"""Cause words: causes that a recording cannot tell apart are read as one."""

from __future__ import annotations

import pytest

from canlens.reports.phrases import as_read, cause_words, likely_cause
from canlens.results.finding import Cause


def sag(output: str, probability: float) -> Cause:
    return Cause("supply-sag", "controller", (output,), probability, next_test="Measure the supply.")


def test_outputs_never_seen_apart_are_read_as_one_likely_cause() -> None:
    other = Cause("controller-silent", "controller", (), 0.01)
    causes = (sag("radio", 0.33), sag("heater", 0.33), other, sag("lamp", 0.33))
    first, second = as_read(causes)
    assert first.subject == ("radio, heater or lamp",)
    assert first.probability == pytest.approx(0.99)
    assert "radio, heater and lamp were never seen apart" in first.because
    assert first.next_test.startswith(
        "Measure the supply. Then unplug the loads of radio, heater and lamp one at a time"
    )
    assert second is other
    likely = likely_cause(causes)
    assert likely is not None
    assert cause_words(likely).startswith("radio, heater or lamp: ")


def test_two_outputs_of_which_one_is_likelier_stay_apart() -> None:
    assert [each.subject for each in as_read((sag("radio", 0.2), sag("heater", 0.7)))] == [("heater",), ("radio",)]


def test_faults_of_outputs_themselves_are_never_joined() -> None:
    causes = tuple(Cause("load-open", "output", (name,), 0.4, next_test="Look.") for name in ("radio", "heater"))
    assert as_read(causes) == list(causes)
    assert likely_cause(causes) is None
