"""What is read of a database file, and what is said of the rest."""

from __future__ import annotations

import io
import pickle
from typing import TYPE_CHECKING

import cantools.database
import pytest

import canlens
from canlens.database import Database, SignalDefinition, read_database
from canlens.errors import DatabaseError

if TYPE_CHECKING:
    from pathlib import Path

DBC = """VERSION ""

NS_ :

BS_:

BU_: Pod Box Vector__XXX

BO_ 291 GripSwitches: 4 Pod
 SG_ Horn : 0|2@1+ (1,0) [0|3] "" Box
 SG_ Volts : 15|16@0- (0.5,-40) [-10|250.5] "V" Box

BO_ 2566844672 BoxState: 8 Vector__XXX
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" Pod
 SG_ Amps m0 : 8|16@1+ (0.1,0) [0|0] "A" Pod
 SG_ Level m1 : 8|8@1+ (2,10) [0|0] "%" Pod

BO_TX_BU_ 2566844672 : Box, Pod;

CM_ "
BO_ 1 NotAMessage: 8 Pod
 SG_ NotASignal : 0|1@1+ (1,0) [0|0] unitless Pod
";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","StandardCAN_FD","ExtendedCAN_FD";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_ "GenMsgCycleTime" BO_ 291 50;
BA_ "VFrameFormat" BO_ 2566844672 3;
VAL_ 291 Horn 1 "Pressed" 0 "Released" ;
"""
BOX_STATE = 2566844672 - 0x8000_0000


def loaded(text: str) -> Database:
    return read_database(io.StringIO(text))


def one_message(signals: str, more: str = "") -> str:
    return f'VERSION ""\n\nBU_: A\n\nBO_ 291 M: 8 A\n{signals}\n{more}\n'


def problem_of(text: str) -> tuple[int, str, str, str]:
    (problem,) = loaded(text).problems
    return problem.line, problem.found, problem.expected, problem.done


class TestContent:
    def test_a_message_comes_with_all_that_is_declared(self) -> None:
        message = loaded(DBC).message("GripSwitches")
        assert message is not None
        assert (message.identifier, message.is_extended, message.length) == (291, False, 4)
        assert (message.senders, message.cycle_time_s, message.is_fd, message.line) == (("Pod",), 0.05, False, 9)

    def test_a_29_bit_fd_message_without_a_cycle_time(self) -> None:
        message = loaded(DBC).with_identifier(BOX_STATE, is_extended=True)
        assert message is not None
        assert message.name == "BoxState"
        assert (message.senders, message.cycle_time_s, message.is_fd, message.line) == (("Box", "Pod"), None, True, 13)
        assert loaded(DBC).with_identifier(BOX_STATE, is_extended=False) is None

    def test_a_signal_comes_with_all_that_is_declared(self) -> None:
        found = loaded(DBC).find("GripSwitches.Volts")
        assert found is not None
        assert found[1] == SignalDefinition(
            "Volts", 15, 16, "motorola", is_signed=True, scale=0.5, offset=-40, minimum=-10, maximum=250.5, unit="V"
        )
        assert found[1].line == 11

    def test_a_value_table_maps_raw_values_to_texts(self) -> None:
        found = loaded(DBC).find("GripSwitches.Horn")
        assert found is not None
        assert found[1].table == {0: "Released", 1: "Pressed"}
        assert all(type(text) is str for text in found[1].table.values())

    def test_whole_scales_and_offsets_stay_whole(self) -> None:
        found = loaded(DBC).find("BoxState.Level")
        assert found is not None
        assert (type(found[1].scale), type(found[1].offset)) == (int, int)

    def test_signals_stand_in_the_order_of_the_file(self) -> None:
        text = one_message(' SG_ Z : 8|1@1+ (1,0) [0|0] "" A\n SG_ B : 0|1@1+ (1,0) [0|0] "" A')
        assert [signal.name for signal in loaded(text).messages[0].signals] == ["Z", "B"]

    def test_pages_name_their_multiplexer(self) -> None:
        message = loaded(DBC).message("BoxState")
        assert message is not None
        assert [(one.multiplexer, one.pages, one.is_multiplexer) for one in message.signals] == [
            (None, (), True),
            ("Page", ((0, 0),), False),
            ("Page", ((1, 1),), False),
        ]

    def test_page_ranges_are_joined_and_may_be_as_wide_as_32_bits(self) -> None:
        signals = ' SG_ Page M : 0|32@1+ (1,0) [0|0] "" A\n SG_ On m3 : 32|8@1+ (1,0) [0|0] "" A'
        text = one_message(signals, "SG_MUL_VAL_ 291 On Page 3-3, 4-9, 20-4294967295;")
        found = loaded(text).find("M.On")
        assert found is not None
        assert found[1].pages == ((3, 9), (20, 4294967295))

    def test_nodes_are_named_without_the_stand_in(self) -> None:
        assert loaded(DBC).nodes == ("Pod", "Box")

    def test_unknown_names_give_none(self) -> None:
        database = loaded(DBC)
        for path in ("GripSwitches.Hron", "Grip.Horn", "GripSwitches", ""):
            assert database.find(path) is None
        assert database.message("NotAMessage") is None

    def test_a_database_travels_between_processes(self) -> None:
        database = loaded(DBC)
        database.find("GripSwitches.Horn")
        copy = pickle.loads(pickle.dumps(database))  # noqa: S301 – our own bytes
        assert copy == database
        assert copy.find("BoxState.Amps") == database.find("BoxState.Amps")

    def test_long_names_in_attributes_keep_pages_together(self) -> None:
        signals = ' SG_ Pg M : 0|8@1+ (1,0) [0|0] "" A\n SG_ On m3 : 8|8@1+ (1,0) [0|0] "" A'
        more = (
            'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
            'BA_ "SystemSignalLongSymbol" SG_ 291 Pg "PageOfTheMessageWithAVeryLongNameIndeed";\n'
        )
        found = loaded(one_message(signals, more)).find("M.On")
        assert found is not None
        assert found[1].multiplexer == "PageOfTheMessageWithAVeryLongNameIndeed"


class TestSources:
    def test_a_path_a_text_file_and_a_binary_file_give_the_same(self, tmp_path: Path) -> None:
        file = tmp_path / "bus.dbc"
        file.write_text(DBC, encoding="utf-8")
        by_path = read_database(file)
        assert by_path.files == (str(file),)
        assert read_database(str(file)) == by_path
        assert read_database(io.StringIO(DBC)).messages == by_path.messages
        assert read_database(io.BytesIO(DBC.encode())).messages == by_path.messages
        with file.open("rb") as stream:
            assert read_database(stream) == by_path

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-le", "utf-16-be"])
    def test_encodings_are_told_apart(self, encoding: str) -> None:
        text = one_message(' SG_ Angle : 0|8@1+ (1,0) [0|0] "°" A')
        found = read_database(io.BytesIO(text.encode(encoding))).find("M.Angle")
        assert found is not None
        assert found[1].unit == "°"

    def test_a_byte_that_no_encoding_knows_is_a_problem_with_its_line(self) -> None:
        text = one_message(' SG_ Angle : 0|8@1+ (1,0) [0|0] "?" A').encode().replace(b"?", b"\x81\xb0")
        database = read_database(io.BytesIO(text))
        assert [problem.line for problem in database.problems] == [6]
        assert database.find("M.Angle") is not None

    @pytest.mark.parametrize(("kind", "suffix"), [("kcd", ".kcd"), ("sym", ".sym")])
    def test_other_formats_give_the_same_signals(self, kind: str, suffix: str, tmp_path: Path) -> None:
        parsed = cantools.database.load_string(DBC, "dbc")
        text = getattr(parsed, f"as_{kind}_string")()
        file = tmp_path / f"bus{suffix}"
        file.write_text(text, encoding="utf-8")
        found = read_database(file).find("GripSwitches.Volts")
        expected = loaded(DBC).find("GripSwitches.Volts")
        assert found is not None
        assert expected is not None
        assert found[1] == expected[1]

    def test_several_files_make_one_database(self) -> None:
        other = DBC.replace("291", "292").replace("GripSwitches", "Second").replace("2566844672", "2566844673")
        database = read_database([io.StringIO(DBC), io.StringIO(other.replace("BoxState", "BoxState2"))])
        assert [message.name for message in database.messages] == ["GripSwitches", "BoxState", "Second", "BoxState2"]
        assert database.problems == ()
        assert database.nodes == ("Pod", "Box")

    def test_the_first_definition_of_an_identifier_counts(self, tmp_path: Path) -> None:
        first, second = tmp_path / "first.dbc", tmp_path / "second.dbc"
        first.write_text(DBC, encoding="utf-8")
        second.write_text(one_message(' SG_ Horn : 3|1@1+ (1,0) [0|0] "" A'), encoding="utf-8")
        database = read_database([first, second])
        assert [message.name for message in database.messages] == ["GripSwitches", "BoxState"]
        (problem,) = database.problems
        assert (problem.file, problem.line) == (str(second), 5)
        assert "0x123" in problem.found
        assert f"GripSwitches ({first}, line 9)" in problem.expected
        assert database.find("M.Horn") is None

    def test_the_same_file_twice_is_no_problem(self) -> None:
        assert read_database([io.StringIO(DBC), io.StringIO(DBC)]).problems == ()

    def test_the_public_name_reads_databases(self) -> None:
        assert canlens.read_database(io.StringIO(DBC)).messages == loaded(DBC).messages


class TestProblems:
    def test_signals_that_share_bits_are_named(self) -> None:
        line, found, _, done = problem_of(
            one_message(' SG_ One : 0|9@1+ (1,0) [0|0] "" A\n SG_ Two : 15|8@0+ (1,0) [0|0] "" A')
        )
        assert line == 7
        assert "Two of message M shares bits with One" in found
        assert "decoded" in done

    def test_signals_on_different_pages_share_bits_rightly(self) -> None:
        assert loaded(DBC).problems == ()

    def test_signals_on_pages_of_a_page_share_bits_rightly(self) -> None:
        signals = """ SG_ Top M : 0|8@1+ (1,0) [0|0] "" A
 SG_ Inner m1M : 8|8@1+ (1,0) [0|0] "" A
 SG_ Deep m2 : 16|8@1+ (1,0) [0|0] "" A
 SG_ Other m3 : 16|8@1+ (1,0) [0|0] "" A
 SG_ Clash m1 : 16|8@1+ (1,0) [0|0] "" A"""
        more = """SG_MUL_VAL_ 291 Inner Top 1-1;
SG_MUL_VAL_ 291 Deep Inner 2-2;
SG_MUL_VAL_ 291 Other Top 3-3;
SG_MUL_VAL_ 291 Clash Top 1-1;"""
        line, found, _, _ = problem_of(one_message(signals, more))
        assert line == 10
        assert found.endswith("shares bits with Deep")

    def test_a_signal_that_sticks_out_is_named(self) -> None:
        line, found, expected, _ = problem_of(one_message(' SG_ Far : 60|5@1+ (1,0) [0|0] "" A'))
        assert line == 6
        assert "needs 9 bytes" in found
        assert "8 bytes" in expected

    def test_a_second_signal_of_the_same_name_is_not_decoded(self) -> None:
        signals = ' SG_ One : 0|8@1+ (1,0) [0|0] "" A\n SG_ One : 8|8@1+ (1,0) [0|0] "" A'
        assert problem_of(one_message(signals))[0] == 7
        assert [signal.start_bit for signal in loaded(one_message(signals)).messages[0].signals] == [0]

    def test_a_page_without_a_multiplexer_is_named(self) -> None:
        line, found, expected, done = problem_of(one_message(' SG_ One m3 : 0|8@1+ (1,0) [0|0] "" A'))
        assert line == 6
        assert "marked m3" in found
        assert "marked M" in expected
        assert "every frame" in done

    def test_a_page_of_a_signal_that_is_not_there_is_named(self) -> None:
        signals = """ SG_ One M : 0|8@1+ (1,0) [0|0] "" A
 SG_ Two m1M : 8|8@1+ (1,0) [0|0] "" A
 SG_ Lost m1 : 16|8@1+ (1,0) [0|0] "" A"""
        more = "SG_MUL_VAL_ 291 Two One 1-1;\nSG_MUL_VAL_ 291 Lost Gone 1-1;"
        line, found, _, done = problem_of(one_message(signals, more))
        assert line == 8
        assert "that Gone selects" in found
        assert "no frame" in done

    def test_two_messages_with_one_identifier_are_named(self, capfd: pytest.CaptureFixture[str]) -> None:
        line, found, expected, _ = problem_of(one_message("", "BO_ 291 N: 8 A"))
        assert line == 7
        assert "N with identifier 0x123" in found
        assert "M (database, line 5)" in expected
        assert capfd.readouterr() == ("", "")

    def test_two_messages_with_one_name_are_both_kept(self) -> None:
        text = one_message("", "BO_ 292 M: 8 A")
        assert problem_of(text)[0] == 7
        assert [message.identifier for message in loaded(text).messages] == [291, 292]

    def test_a_cycle_time_that_is_no_number_is_named(self) -> None:
        more = 'BA_DEF_ BO_ "GenMsgCycleTime" STRING ;\nBA_DEF_DEF_ "GenMsgCycleTime" "";\n'
        text = one_message("", more + 'BA_ "GenMsgCycleTime" BO_ 291 "often";')
        line, found, expected, _ = problem_of(text)
        assert line == 5
        assert "often" in found
        assert "milliseconds" in expected


class TestRefusals:
    def refused(self, text: str, *, line: int, words: tuple[str, ...]) -> None:
        with pytest.raises(DatabaseError) as raised:
            loaded(text)
        assert raised.value.line == line
        sentence = str(raised.value)
        assert sentence.startswith(f"database, line {line}: " if line else "database: ")
        for word in words:
            assert word in sentence
        assert sentence.endswith(".")

    def test_an_empty_file_is_told(self) -> None:
        self.refused("\n", line=0, words=("empty",))

    def test_a_web_page_is_told(self) -> None:
        self.refused("<!DOCTYPE html>\n<html></html>", line=0, words=("web page", "Download the file itself"))

    def test_a_text_without_an_entry_is_told(self) -> None:
        self.refused("once upon a time\n", line=0, words=("no DBC file", "not one entry"))

    def test_broken_xml_says_its_line(self) -> None:
        self.refused("<?xml version='1.0'?>\n<NetworkDefinition>\n<Node", line=3, words=("KCD", "XML"))

    def test_a_missing_file_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(DatabaseError, match=r"gone\.dbc: there is no such file"):
            read_database(tmp_path / "gone.dbc")
        with pytest.raises(DatabaseError, match="cannot be read"):
            read_database(tmp_path)


class TestChannels:
    def test_databases_of_two_channels_may_use_one_identifier_twice(self) -> None:
        body = one_message(' SG_ Lamp : 0|8@1+ (1,0) [0|0] "" A').replace("BO_ 291 M", "BO_ 291 Other")
        database = read_database({"can0": io.StringIO(DBC), "can1": io.StringIO(body)})
        assert database.problems == ()
        named = [
            database.with_identifier(291, is_extended=False, channel=channel)
            for channel in ("can0", "can1", "can2", None)
        ]
        assert [one.name if one else None for one in named] == ["GripSwitches", "Other", None, "GripSwitches"]
        assert [message.name for message in database.on_channel("can1").messages] == ["Other"]

    def test_one_file_for_two_channels_is_no_problem(self) -> None:
        database = read_database({"can0": io.StringIO(DBC), "can1": [io.StringIO(DBC)]})
        assert database.problems == ()
        assert len(database.messages) == 4
