"""Plans that are no plans, and databases that are missing or cannot be read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from canlens.errors import DatabaseError, Mistake, PlanError
from canlens.plan import read_plan
from tests.unit.sample_plan import COLD_STORE_VAN, DATABASE, the_mistake, written

if TYPE_CHECKING:
    from canlens.database import Database

A_DBC = "a DBC file ('canlens plan' begins a plan from it)"


def test_a_missing_database_is_named_with_those_beside_the_plan(tmp_path: Path) -> None:
    mistake = the_mistake(tmp_path, ('"dash.dbc"', '"dahs.dbc"'))
    assert mistake == Mistake("bus.database", f"a file in {tmp_path}", "no file 'dahs.dbc' there", ("dash.dbc",))
    mistake = the_mistake(tmp_path, ('"dash.dbc"', '"zz.dbc"'))
    assert mistake.close == ("dash.dbc",)


@pytest.mark.parametrize("name", ["", "box", "nul\\u0000", "x" * 5000, "no/where/dash.dbc"])
def test_a_path_that_leads_to_no_file_is_a_mistake(tmp_path: Path, name: str) -> None:
    mistake = the_mistake(tmp_path, ('"dash.dbc"', f'"{name}"'))
    assert mistake.key == "bus.database"
    assert mistake.found.startswith("no file '")


@pytest.mark.parametrize(
    ("given", "found"), [("3", "3"), ("[]", "an empty list"), ("[3]", "3"), ("true", "true"), (None, "nothing")]
)
def test_the_database_is_a_path_or_a_list_of_paths(tmp_path: Path, given: str | None, found: str) -> None:
    line = 'database = ["dash.dbc", "box/rear.dbc"]'
    mistake = the_mistake(tmp_path, (line, f"database = {given}" if given else ""))
    expected = (
        "the path of a database, relative to the plan, a list of paths, or a table of channels with the path of each"
    )
    assert mistake == Mistake("bus.database", expected, found)


def test_a_database_that_cannot_be_read_is_a_mistake_beside_the_others(tmp_path: Path) -> None:
    def refuse(paths: list[Path] | dict[str, list[Path]]) -> Database:
        assert isinstance(paths, list)
        raise DatabaseError(paths[0].name, "this is a photograph.", line=1)

    file = written(tmp_path, COLD_STORE_VAN.replace("tailgate or", "tailgate xor"))
    with pytest.raises(PlanError) as caught:
        read_plan(file, read_database=refuse)
    first, second = caught.value.mistakes
    found = "this: dash.dbc, line 1: this is a photograph"
    assert first == Mistake("bus.database", "a database that can be read", found)
    assert second.key == "outputs.ramp.when"


def mistake_of_content(folder: Path, content: bytes) -> Mistake:
    file = folder / "van.toml"
    file.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        read_plan(file, read_database=lambda _: DATABASE)
    (mistake,) = caught.value.mistakes
    return mistake


@pytest.mark.parametrize(
    ("content", "key", "found"),
    [
        (b'title = "van"\n[bus\n', "line 2, column 5", "this: expected ']' at the end of a table declaration"),
        (b'title = "van"\ntitle = "car"\n', "line 2, column 14", "this: cannot overwrite a value"),
        (b'title = "van', "the end of the file", "this: unterminated string"),
        (b"a = ", "the end of the file", "this: invalid value"),
        (
            b'title = "van\n',
            "line 1, column 13",
            "this: illegal character '\\n', in 'title = \"van' – the quotation mark",
        ),
        (b"within_s = 0,3\n", "line 1, column 13", "this: expected newline or end of document after a statement, in"),
    ],
)
def test_what_is_not_toml_is_named_with_its_line(tmp_path: Path, content: bytes, key: str, found: str) -> None:
    mistake = mistake_of_content(tmp_path, content)
    assert (mistake.key, mistake.expected) == (key, "valid TOML")
    assert mistake.found.lower().startswith(found.lower())


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (
            b'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Cab\n\nBO_ 288 Dash: 8 Cab\n',
            A_DBC,
        ),
        (
            b'BO_ 288 Dash: 8 Cab\n SG_ Buzzer : 0|2@1+ (1,0) [0|3] "" Cab\n',
            A_DBC,
        ),
        (b"(1700000000.000000) vcan3 120#0102\n", "a recording"),
        (b"date Mon Jan 5 10:00:00 2026\nbase hex timestamps absolute\n", "a recording"),
        (b"<html><body>not found</body></html>", "a page or an XML file"),
        (b'{"title": "van"}', "a JSON file"),
    ],
)
def test_another_kind_of_file_in_place_of_a_plan_is_recognised(tmp_path: Path, content: bytes, kind: str) -> None:
    assert mistake_of_content(tmp_path, content) == Mistake("the file", "a plan in TOML", kind)


def test_what_is_not_text_is_named_with_its_line(tmp_path: Path) -> None:
    mistake = mistake_of_content(tmp_path, b'title = "van"\nload = "h\xf6rn"\n')
    assert mistake == Mistake("line 2", "a plan in TOML, which is UTF-8 text", "the byte 0xf6")


@pytest.mark.parametrize("content", [b"a = " + b"[" * 100_000, b"a = " + b"9" * 5000, b"a = 1979-13-40"])
def test_content_that_overloads_the_toml_parser_is_a_mistake(tmp_path: Path, content: bytes) -> None:
    assert mistake_of_content(tmp_path, content).found


def test_a_missing_plan_is_named_with_close_file_names(tmp_path: Path) -> None:
    written(tmp_path)
    with pytest.raises(PlanError) as caught:
        read_plan(tmp_path / "von.toml")
    assert caught.value.mistakes == (Mistake("the file", "a plan that can be read", "no such file", ("van.toml",)),)


def test_a_folder_is_no_plan(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="expected a plan that can be read, found a folder"):
        read_plan(tmp_path)


@pytest.mark.parametrize("name", ["nul\0.toml", "x" * 5000, str(Path("no") / "where" / "van.toml")])
def test_a_path_that_no_system_has_is_no_plan(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlanError, match="expected a plan that can be read"):
        read_plan(tmp_path / name)
