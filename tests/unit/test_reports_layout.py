from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from canlens.reports.layout import WIDTH, Page, display_width, wrap

TEXTS = st.text(max_size=400)


def test_wide_characters_take_two_columns() -> None:
    # Unicode Standard Annex 11: ideographs are W, full-width letters are F
    assert display_width("喇\uff21") == 4


def test_a_combining_mark_takes_no_column() -> None:
    assert display_width("o\u0308") == 1


def test_a_word_longer_than_the_line_is_broken_and_nothing_is_lost() -> None:
    lines = wrap("x" * 25 + " end", 10)
    assert lines == ["x" * 10, "x" * 10, "xxxxx end"]


@given(TEXTS, st.integers(min_value=2, max_value=100))
def test_wrapped_lines_fit_and_hold_every_word(text: str, width: int) -> None:
    lines = wrap(text, width)
    assert max(map(display_width, lines)) <= width
    assert "".join("".join(lines).split()) == "".join(text.split())


@given(st.lists(st.tuples(TEXTS, TEXTS, TEXTS), max_size=5), st.sampled_from(["utf-8", "ascii"]))
def test_a_table_stays_within_the_page(rows: list[tuple[str, str, str]], encoding: str) -> None:
    page = Page(encoding)
    page.table(("name", "load", "verdict"), rows, remarks=[[row[0]] for row in rows])
    assert all(display_width(line) <= WIDTH for line in page.lines)


def test_words_of_a_table_are_not_broken_while_another_column_can_give_way() -> None:
    page = Page()
    page.table(("rule", "note"), [("brake_front or brake_rear", "a " * 100)])
    assert "brake_front or brake_rear" in page.text() or "brake_front or\n" in page.text()
    assert "brake_front" in page.text().replace("\n", " ").split()
    assert "brake_rear" in page.text().replace("\n", " ").split()


def test_a_cell_wraps_inside_its_column() -> None:
    page = Page()
    page.table(("a", "b"), [("x", "word " * 30)])
    assert len(page.lines) > 3
    assert all(line.startswith("   ") for line in page.lines[3:])


def test_facts_without_text_are_left_out() -> None:
    page = Page()
    page.facts([("Caution", ""), ("Do next", "measure")])
    assert page.text() == "Do next  measure\n"


@given(TEXTS, st.integers(min_value=0, max_value=20))
def test_paragraphs_stay_within_the_page(text: str, indent: int) -> None:
    page = Page()
    page.paragraph(text, first="Do next:", indent=indent)
    page.heading(text)
    assert all(display_width(line) <= WIDTH for line in page.lines)


@given(TEXTS, st.integers(min_value=2, max_value=60), st.integers(min_value=1, max_value=60))
def test_a_shorter_first_line_loses_nothing(text: str, width: int, first: int) -> None:
    head, *rest = wrap(text, width, first=min(first, width))
    assert display_width(head) <= min(first, width)
    assert all(display_width(line) <= width for line in rest)
    assert "".join("".join([head, *rest]).split()) == "".join(text.split())


def test_a_number_and_its_unit_are_not_parted() -> None:
    assert wrap("it took 12 s, then 5 % more", 11) == ["it took", "12 s, then", "5 % more"]


def test_a_paragraph_uses_the_whole_width_behind_its_first_line() -> None:
    page = Page()
    page.paragraph("word " * 40, first="Caution:", indent=2)
    assert [display_width(line) for line in page.lines[:2]] == [78, 76]  # 14 words behind the label, 15 below it


def test_signs_stand_below_one_another_and_keep_their_blanks() -> None:
    page = Page()
    page.strips([("horn", "a b  c"), ("a long name", "xyz"), ("", "")], widest=6)
    assert page.lines == ["horn    a b  c", "a long  xyz", "name", ""]
