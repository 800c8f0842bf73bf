from __future__ import annotations

from typing import get_args

import pytest

from canlens import wording
from canlens.nouns.baselines import State
from canlens.nouns.bus import ReadingState, Recorded
from canlens.nouns.messages import Kind
from canlens.nouns.pictures import Outcome
from canlens.results.check import LINKS, LinkState, Verdict
from canlens.results.compare import ChangeKind, CompareVerdict
from canlens.results.discover import DiscoverVerdict
from canlens.results.finding import Severity
from canlens.results.survey import SurveyVerdict
from canlens.wire.error_classes import CLASS_KEYS

VERDICTS = [get_args(each) for each in (Verdict, SurveyVerdict, CompareVerdict, DiscoverVerdict)]


@pytest.mark.parametrize(
    ("table", "values"),
    [
        (wording.SEVERITIES, get_args(Severity)),
        (wording.VERDICTS, [value for each in VERDICTS for value in each]),
        (wording.VERDICT_SIGNS, [value for each in VERDICTS for value in each]),
        (wording.LINK_STATES, get_args(LinkState)),
        (wording.LINKS, LINKS),
        (wording.LINK_BREAKS, LINKS),
        (wording.OPEN_LINKS, LINKS),
        (wording.OUTCOMES, [*get_args(Outcome), "unasked", "dropped"]),
        (wording.MESSAGE_KINDS, get_args(Kind)),
        (wording.ERROR_FRAMES_RECORDED, get_args(Recorded)),
        (wording.ERROR_CLASSES, [*CLASS_KEYS.values(), "unspecified"]),
        (wording.READING_STATES, get_args(ReadingState)),
        (wording.CHANGES, get_args(ChangeKind)),
        (wording.AWAKE, get_args(State)),
    ],
)
def test_every_value_of_a_result_has_its_words(table: dict[str, object], values: list[str]) -> None:
    assert set(table) == set(values)


def test_the_worst_comes_first() -> None:
    assert wording.SEVERITY_ORDER == ("failure", "warning", "note")


@pytest.mark.parametrize("sign", wording.VERDICT_SIGNS.values())
def test_the_sign_of_a_verdict_is_one_of_the_signs_of_a_link(sign: str) -> None:
    assert sign in wording.LINK_STATES
