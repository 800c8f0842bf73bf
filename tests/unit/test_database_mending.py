"""Entries of a DBC that the parser would refuse, with the whole file: mended or dropped alone, and said."""

from __future__ import annotations

import io

import pytest

from canlens.database import Database, DatabaseProblem, read_database

PLAIN = ' SG_ One : 0|8@1+ (1,0) [0|0] "" A'


def loaded(text: str) -> Database:
    return read_database(io.StringIO(text))


def one_message(signals: str, more: str = "") -> str:
    return f'VERSION ""\n\nBU_: A\n\nBO_ 291 M: 8 A\n{signals}\n{more}\n'


def only(text: str) -> DatabaseProblem:
    (problem,) = loaded(text).problems
    assert problem.found
    assert problem.expected
    assert problem.done.endswith(".")
    return problem


class TestSignals:
    @pytest.mark.parametrize(
        ("line", "expected"),
        [
            (' SG_ Two : 8|8@1+ (.25,0) [0|60] "V" A', "digit on both sides"),
            (' SG_ Two : 8|8@1+ (0,25,0) [0|60] "V" A', "point as the decimal sign"),
            (' SG_ Two : 8|8@1+ (0,25;0,0) [0|60] "V" A', "a comma between factor and offset"),
            (' SG_ Two : 8.0|8@1+ (0.25,0) [0|60] "V" A', "a whole number"),
            (' SG_ Two : 8|8@1 (0.25,0) [0|60] "V" A', "the sign + or -"),
            (' SG_ Two 8|8@1+ (0.25,0) [0|60] "V" A', "a colon"),
            (' SG_ Two : 8|8@1+ (0.25,0) [0|60] "V"', "names of nodes"),
            (' SG_ Two : 8|8@1+ (0.25,0) [0|60] "V" 4A', "names of nodes"),
            (" SG_ Two : 8|8@1+ (0.25,0) [0|60] “V” A", "plain blanks, quotation marks"),
            (" SG_ Two : 8|8@1+ (0.25,0) [0|60] &quot;V&quot; A", "signs of a web page"),
            (' SG Two : 8|8@1+ (0.25,0) [0|60] "V" A', "the keyword SG_"),
            (' SG_ Two : 8|8@1+ (0.25,0) [0|60] "V" A and more', "commas between them"),
        ],
    )
    def test_what_was_meant_is_told_and_said(self, line: str, expected: str) -> None:
        text = one_message(f"{PLAIN}\n{line}")
        problem = only(text)
        assert problem.line == 7
        assert expected in problem.expected
        assert problem.message == "M"
        assert problem.mend.startswith("Write `SG_ Two : 8|8@1+ (0.25,0")
        good = one_message(f'{PLAIN}\n SG_ Two : 8|8@1+ (0.25,0) [0|60] "V" A')
        assert loaded(text).messages == loaded(good).messages

    @pytest.mark.parametrize(
        ("written", "name"),
        [
            ("2Two", "_2Two"),
            ("Two Three", "Two_Three"),
            ("Two-Three", "Two_Three"),
            ("Öl", "Ol"),
            ("FILTER", "FILTER_"),
        ],
    )
    def test_a_name_that_is_none_becomes_one_also_for_its_table(self, written: str, name: str) -> None:
        text = one_message(f' SG_ {written} : 8|8@1+ (1,0) [0|0] "" A', f'VAL_ 291 {written} 1 "on" ;')
        found = loaded(text).find(f"M.{name}")
        assert found is not None
        assert found[1].table == {1: "on"}
        assert [problem.line for problem in loaded(text).problems] == [6, 7]

    @pytest.mark.parametrize(
        "line",
        [
            ' SG_ Two : 8|0@1+ (1,0) [0|0] "" A',
            ' SG_ Two : 8@1+ (1,0) [0|0] "" A',
            ' SG_ Two : 8|8@2+ (1,0) [0|0] "" A',
            ' SG_ Two : 8|8@1+ [0|0] "" A',
            ' SG_ Two : 8|8@1+ (1e999,0) [0|0] "" A',
            " SG_ Two : 8|",
        ],
    )
    def test_what_cannot_be_told_is_lost_alone(self, line: str) -> None:
        database = loaded(one_message(f"{line}\n{PLAIN}", 'VAL_ 291 One 1 "on" ;'))
        assert [signal.name for signal in database.messages[0].signals] == ["One"]
        (problem,) = database.problems
        assert problem.line == 6
        assert "not used" in problem.done

    def test_a_range_that_cannot_be_read_is_none(self) -> None:
        text = one_message(' SG_ One : 0|8@1+ (1,0) [0-7] "V" A')
        found = loaded(text).find("M.One")
        assert found is not None
        assert (found[1].minimum, found[1].maximum, found[1].unit) == (None, None, "V")
        assert "[MIN|MAX]" in only(text).expected

    def test_a_signal_behind_another_entry_belongs_to_its_message(self) -> None:
        text = one_message(PLAIN, 'BA_DEF_ "X" INT 0 1;\n SG_ Two : 8|8@1+ (1,0) [0|0] "" A')
        assert only(text).line == 8
        assert loaded(text).find("M.Two") is not None

    def test_a_factor_of_0_is_said(self) -> None:
        assert "factor 0" in only(one_message(' SG_ One : 0|8@1+ (0,5) [0|0] "" A')).found


class TestMessages:
    def test_a_29_bit_identifier_without_its_bit_is_taken_as_one(self) -> None:
        text = one_message(PLAIN, 'VAL_ 217056256 One 1 "on" ;').replace("BO_ 291", "BO_ 217056256")
        problem = only(text)
        assert problem.line == 5
        assert "0xcf00400" in problem.found
        assert problem.mend == "Write BO_ 2364539904."
        message = loaded(text).with_identifier(0xCF00400, is_extended=True)
        assert message is not None
        assert message.signals[0].table == {1: "on"}

    def test_an_identifier_out_of_range_is_lost_with_all_that_is_said_of_it(self) -> None:
        text = one_message(PLAIN, f'BO_ 1074791968 N: 8 A\n{PLAIN}\nVAL_ 1074791968 One 1 "on" ;')
        assert only(text).line == 7
        assert [message.name for message in loaded(text).messages] == ["M"]

    @pytest.mark.parametrize(
        "line",
        ["BO_ 0x124 N: 8 A", "BO_ 292 N 8 A", "BO_ 292 N: 8", "B_ 292 N: 8 A", "BO_ 292 N: 8 A B", "BO_ 292.0 N: 8 A"],
    )
    def test_a_damaged_head_is_mended(self, line: str) -> None:
        text = one_message(PLAIN, f"{line}\n{PLAIN}")
        assert only(text).line == 7
        message = loaded(text).message("N")
        assert message is not None
        assert (message.identifier, message.length, len(message.signals)) == (292, 8, 1)

    def test_a_length_that_cannot_be_read_is_told_from_the_signals(self) -> None:
        text = one_message(PLAIN, 'BO_ 292 N: x A\n SG_ One : 0|13@1+ (1,0) [0|0] "" A')
        message = loaded(text).message("N")
        assert message is not None
        assert message.length == 2
        assert "payload length" in only(text).expected

    def test_signals_of_a_lost_message_do_not_become_those_of_another(self) -> None:
        text = one_message(PLAIN, 'BO_ 12#3 N: 8 A\n SG_ Two : 8|8@1+ (1,0) [0|0] "" A')
        assert [signal.name for signal in loaded(text).messages[0].signals] == ["One"]
        problem = only(text)
        assert problem.line == 7
        assert "signals under it" in problem.done

    def test_a_negative_number_is_that_of_32_bits(self) -> None:
        text = one_message(PLAIN).replace("BO_ 291", "BO_ -1930427392")
        assert loaded(text).messages[0].identifier == 0xCF00400
        assert "without a sign" in only(text).expected


class TestTables:
    def test_a_table_of_a_missing_signal_is_dropped_with_a_guess(self) -> None:
        problem = only(one_message(PLAIN, 'VAL_ 291 Oen 0 "off" ;'))
        assert problem.line == 7
        assert "a signal Oen in message M" in problem.expected
        assert problem.mend == "Perhaps One is meant."

    def test_a_table_of_a_missing_message_names_the_one_with_such_a_signal(self) -> None:
        assert only(one_message(PLAIN, 'VAL_ 29 One 0 "off" ;')).mend.endswith("perhaps write 291.")

    @pytest.mark.parametrize(
        "table", ['VAL_ 291 One 0 "off" 1 "on"', 'VAL_ 291 One 0 "off" 1 "on;', 'VAL_ 291 One 0.0 "off" 0x1 "on" ;']
    )
    def test_a_damaged_table_is_mended(self, table: str) -> None:
        text = one_message(PLAIN, f'{table}\nCM_ "end";')
        found = loaded(text).find("M.One")
        assert found is not None
        assert found[1].table == {0: "off", 1: "on"}
        assert only(text).line == 7

    def test_a_float_type_of_a_wrong_length_is_not_used(self) -> None:
        text = one_message(PLAIN, "SIG_VALTYPE_ 291 One : 1;")
        assert "whole number" in only(text).done
        found = loaded(text).find("M.One")
        assert found is not None
        assert not found[1].is_float


class TestWhatTheParserPassesOver:
    """It takes these files without a word, and loses something of them."""

    def test_a_table_that_is_cut_off_at_the_end_is_read_and_said(self) -> None:
        text = one_message(PLAIN, 'VAL_ 291 One 0 "off" 1 "on"').rstrip()
        assert only(text).expected == "a semicolon at the end"
        found = loaded(text).find("M.One")
        assert found is not None
        assert found[1].table == {0: "off", 1: "on"}

    def test_a_table_without_the_number_of_its_message_is_said(self) -> None:
        assert only(one_message(PLAIN, 'VAL_ One 0 "off" ;')).mend == "Perhaps VAL_ 291 One is meant."

    def test_a_table_of_a_variable_needs_no_number(self) -> None:
        more = 'EV_ Way: 0 [0|1] "" 0 1 DUMMY_NODE_VECTOR0 A;\nVAL_ Way 0 "off" ;'
        assert loaded(one_message(PLAIN, more)).problems == ()

    @pytest.mark.parametrize(
        "entry", ["SIG_VALTYPE_ 291 One : 3;", "SG_MUL_VAL_ 291 Gone Page 1-1;", 'BA_ "X" SG_ 291 Gone 1;']
    )
    def test_an_entry_that_leads_nowhere_is_said(self, entry: str) -> None:
        assert only(one_message(PLAIN, f'BA_DEF_ SG_ "X" INT 0 1;\n{entry}')).line == 8

    def test_numbers_that_would_cost_gigabytes_do_not_reach_it(self) -> None:
        signals = f'{PLAIN}\n SG_ Two : 4000000000|8@1+ (1,0) [0|0] "" A\n SG_ Three : 8|3000000000@1+ (1,0) [0|0] "" A'
        more = 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 1e999999999;\n'
        database = loaded(one_message(signals, more))
        assert [signal.name for signal in database.messages[0].signals] == ["One"]
        assert [problem.line for problem in database.problems] == [7, 8, 9]

    def test_a_factor_beyond_all_numbers_is_said(self) -> None:
        database = loaded(one_message(f'{PLAIN}\n SG_ Two : 8|8@1+ (1e999,0) [0|0] "" A'))
        assert [signal.name for signal in database.messages[0].signals] == ["One"]
        assert [problem.line for problem in database.problems] == [7]


class TestOtherEntries:
    @pytest.mark.parametrize(
        ("entry", "expected"),
        [
            ("BS_: 500000 : 1,2", "without numbers"),
            ('CM_ SG_ 291 "which one";', "what it is about"),
            ('CM_ "never closed', "a closing quotation mark"),
            ('BA_ "Colour" BO_ 291 3;', "a BA_DEF_ entry"),
            ('BA_ "GenMsgCycleTime" BO_ 291 50;', "a BA_DEF_ entry"),
            ("<<<<<<< HEAD", "an entry such as"),
            ("CAT_ 5 something;", "a kind that says something"),
            ("SG_MUL_VAL_ 291 One Two 9-3;", "from the lower to the higher"),
            ("BO_TX_BU_ 5 : A;", "a message with the number 5"),
        ],
    )
    def test_each_is_said_with_its_line(self, entry: str, expected: str) -> None:
        problem = only(one_message(PLAIN, entry))
        assert problem.line == 7
        assert expected in problem.expected
        assert loaded(one_message(PLAIN, entry)).find("M.One") is not None

    def test_an_attribute_without_a_definition_is_taken_with_the_usual_one(self) -> None:
        assert loaded(one_message(PLAIN, 'BA_ "GenMsgCycleTime" BO_ 291 50;')).messages[0].cycle_time_s == 0.05

    def test_a_comment_over_lines_that_look_like_entries_is_one_comment(self) -> None:
        assert loaded(one_message(PLAIN, 'CM_ "first\nBO_ 5 N: 8 A\nVAL_ 5\n last";')).problems == ()

    def test_a_truncated_file_keeps_what_is_whole(self) -> None:
        text = one_message(PLAIN, 'BO_ 292 N: 8 A\n SG_ Two : 8|8@1+ (1,0) [0|0] "" A\n SG_ Thr')
        assert only(text).line == 9
        assert loaded(text).find("N.Two") is not None

    def test_what_costs_nothing_is_not_said(self) -> None:
        assert loaded(f"BO_ 291 M: 8 A\n{PLAIN}\n").problems == ()
        assert loaded(one_message(PLAIN, 'CM_ SG_ 291 Two "lost";')).problems == ()

    def test_windows_line_ends_keep_the_lines(self) -> None:
        text = one_message(PLAIN, "BS_: 1").replace("\n", "\r\n")
        assert only(text).line == 7
