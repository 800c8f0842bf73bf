from __future__ import annotations

from dataclasses import replace

from canlens.comparison import compare
from canlens.reports.comparison_text import comparison_text
from canlens.reports.layout import display_width
from tests.unit import sample_results as sample
from tests.unit.small_buses import Sent, bus, others

SPEED = Sent("Speed", 0x100, every_s=0.1)


def test_a_likely_cause_stands_under_the_verdict_with_its_test_and_caution() -> None:
    before, after = bus(SPEED, *others(), end_s=20).trace, bus(*others(), end_s=20).trace
    result = compare(before, after).result
    text = comparison_text(replace(result, causes=(sample.CAUSE,)))
    verdict, likely, *_ = text.splitlines()
    assert verdict.startswith("WORSE – ")
    assert likely.startswith("Most likely: siren: a rule, but not the planned one, 97 %")
    head = text.split("\n\n")[0]
    assert "Do next: Operate brake_front alone and listen for the siren." in head
    assert "Caution: Keep hands off moving parts." in head
    assert "Most likely" not in comparison_text(replace(result, causes=(replace(sample.CAUSE, probability=0.4),)))


def test_where_no_cause_is_likely_the_next_step_is_told_all_the_same_but_never_to_undo_a_cure() -> None:
    before, after = bus(SPEED, *others(), end_s=20).trace, bus(*others(), end_s=20).trace
    result = replace(compare(before, after).result, causes=())
    assert "Do next: Undo the last change" in comparison_text(result).split("\n\n")[0]
    assert "Undo" not in comparison_text(replace(result, verdict="better"))


def test_a_change_and_its_direction_are_one_paragraph_of_80_columns() -> None:
    before, after = bus(SPEED, *others(), end_s=20).trace, bus(*others(), end_s=20).trace
    text = comparison_text(compare(before, after).result)
    assert "frames a second before, none after. Worse." in " ".join(text.split())
    assert max(map(display_width, text.splitlines())) <= 80
