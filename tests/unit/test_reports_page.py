"""Pages as text: what stands in them, whatever the result; how they look is tested in a browser."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from typing import TYPE_CHECKING

import jinja2
import pytest

from canlens.checkup import check
from canlens.comparison import compare
from canlens.overview import survey
from canlens.reports.page import check_page, comparison_page, survey_page
from canlens.reports.page.assembling import page_environment
from canlens.trace import Problem
from tests.unit.small_jobs import answering, job, planned, presses, without_frames

if TYPE_CHECKING:
    from tests.unit.small_jobs import Job

HORN = presses(4)


def words_of(page: str) -> str:
    """Return what a page says, without style, scripts and tags."""
    bare = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", bare)).split())


def siren(*, exercises: int = 4, follows: bool = True) -> Job:
    horn = presses(exercises)
    on = answering(horn) if follows else []
    return job({"horn": horn}, {"siren": planned("horn", on, load="two-tone siren")}, end_s=20)


def page_of(one: Job) -> str:
    return check_page(one.checkup, one.checkup.drawn([one.trace]))


def test_a_failed_job_says_so_and_quotes_the_frames() -> None:
    told = words_of(page_of(siren(follows=False)))
    assert "FAILED 1 of 1 output does not do what the plan says." in told
    assert "broken at link" in told
    assert "two-tone siren" in told
    assert "bytes, hexadecimal" in told
    assert re.search(r"Horn of \w+ 0x[0-9a-f]+ on can0 01\b", told)


def test_a_job_without_proof_says_what_to_record() -> None:
    one = siren(exercises=1)
    result = one.checkup.result
    told = words_of(page_of(one))
    assert result.verdict == "not-proven"
    assert "NOT PROVEN" in told
    assert result.next_exercises
    assert all(each in told for each in result.next_exercises)


def test_without_the_recording_the_lines_still_stand_there() -> None:
    checkup = siren(follows=False).checkup
    told = words_of(check_page(checkup, checkup.drawn()))
    assert "Seen in lines" in told
    assert "bytes, hexadecimal" not in told


def test_each_of_several_recordings_has_its_counts_and_its_own_finding_lines() -> None:
    first, second = siren(exercises=1), siren(follows=False)
    checkup = check(first.plan, [first.trace, second.trace])
    told = words_of(check_page(checkup, checkup.drawn([first.trace, second.trace])))
    assert "Exercises followed in recording 1" in told
    assert "Exercises followed in recording 2" in told
    assert "Evidence: recording 2: lines" in told


def test_an_empty_recording_has_a_page_without_pictures() -> None:
    one = without_frames(siren())
    page = page_of(one)
    assert "No picture: the recording has no length." in page
    assert "<figure" not in page
    assert len(page) < 200_000  # the drawing library alone is larger by far


def test_lines_that_could_not_be_used_are_listed() -> None:
    one = siren()
    problem = Problem(7, "<(17600>", "(time) channel frame", count=3)
    trace = replace(one.trace, problems=(problem,))
    checkup = check(one.plan, trace)
    page = check_page(checkup, checkup.drawn([trace]))
    assert "&lt;(17600&gt;" in page
    assert "<(17600>" not in page


def test_a_survey_and_a_comparison_have_pages_too() -> None:
    one, other = siren(), siren(follows=False)
    overview = survey(one.trace, one.plan.database, bit_rate=250_000)
    surveyed = survey_page(overview, overview.drawn(one.trace))
    assert "Every identifier" in words_of(surveyed)
    comparison = compare(one.trace, other.trace, one.plan)
    assert comparison.result.sentence in words_of(comparison_page(comparison.result, comparison.drawn()))


def test_what_acts_on_the_writing_is_made_visible_and_markup_is_escaped() -> None:
    template = page_environment().from_string("{{ name }}")
    assert template.render(name="<b>\x1b[31m\u202e'\"&") == "&lt;b&gt;\\x1b[31m\\u202e&#39;&#34;&amp;"
    assert template.render(name="74\u00a0ms") == "74\u00a0ms"


def test_a_name_that_nobody_gave_is_an_error() -> None:
    with pytest.raises(jinja2.UndefinedError):
        page_environment().from_string("{{ nobody }}").render()
