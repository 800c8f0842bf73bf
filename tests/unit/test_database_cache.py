"""A database that was read before is ready at once, and nothing foreign in the cache is ever believed."""

from __future__ import annotations

import hashlib
import io
import json
import os
import stat
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from canlens.database import Database, read_database

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DBC = """VERSION ""

BS_: 1

BU_: Pod

BO_ 291 Grip: 4 Pod
 SG_ Page M : 0|2@1+ (1,0) [0|3] "" Pod
 SG_ Volts m1 : 15|16@0- (0.5,-40) [-10|250.5] "V" Pod

VAL_ 291 Page 1 "one" -1 "none" ;
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CANLENS_NO_CACHE", "0")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path))
    return tmp_path / "canlens" / "databases"


def loaded(text: str = DBC) -> Database:
    return read_database(io.StringIO(text))


def kept(folder: Path) -> Path:
    (file,) = folder.glob("*")
    return file


def test_what_is_kept_is_what_was_read(folder: Path) -> None:
    first = loaded()
    assert kept(folder).suffix == ".json"
    again = loaded()
    assert again == first
    assert again.problems == first.problems
    assert [message.line for message in again.messages] == [message.line for message in first.messages]


def test_a_kept_database_needs_no_parser(folder: Path, tmp_path: Path) -> None:
    file = tmp_path / "bus.dbc"
    file.write_text(DBC, encoding="utf-8")
    read_database(file)
    assert kept(folder)
    program = f"import sys; from canlens import read_database as r; r({str(file)!r}); print('cantools' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "False"


def test_problems_name_the_file_as_the_user_does_now(folder: Path, tmp_path: Path) -> None:
    for name in ("one.dbc", "two.dbc"):
        (tmp_path / name).write_text(DBC, encoding="utf-8")
        database = read_database(tmp_path / name)
        assert {problem.file for problem in database.problems} == {str(tmp_path / name)} == set(database.files)
    assert kept(folder)


def test_another_content_is_read_anew(folder: Path) -> None:
    loaded()
    assert loaded(DBC.replace("Volts", "Ampere")).find("Grip.Ampere") is not None
    assert len(list(folder.glob("*.json"))) == 2


def forged(content: bytes) -> bytes:
    """Put another database under the right key, with its old checksum."""
    return content.replace(b"Volts", b"Stolv")


def rewritten(content: bytes) -> bytes:
    head, _, _ = content.partition(b"\n")
    return head + b"\n" + b'{"messages": [], "nodes": [], "problems": []}'


@pytest.mark.parametrize(
    "spoil",
    [
        forged,
        rewritten,
        lambda content: content[:-20],
        lambda _: b"",
        lambda _: b"\x80\x04\x95 pickled",
        lambda content: b"x" + content,
    ],
)
def test_a_kept_file_that_was_touched_is_passed_over(folder: Path, spoil: Callable[[bytes], bytes]) -> None:
    first = loaded()
    file = kept(folder)
    file.write_bytes(spoil(file.read_bytes()))
    assert loaded() == first
    assert loaded() == first


@pytest.mark.parametrize(
    "form",
    [
        {"messages": 3},
        {"messages": [{"name": "M"}]},
        {"messages": [{"name": "M", "identifier": "291", "is_extended": False, "length": 8}]},
        {"nodes": [3]},
        {"problems": [None]},
        [],
        3,
    ],
)
def test_a_kept_file_of_another_form_is_passed_over(folder: Path, form: object) -> None:
    first = loaded()
    file = kept(folder)
    magic = file.read_bytes().partition(b"\n")[0].decode().rpartition(" ")[0]
    body = json.dumps(form).encode()
    file.write_bytes(f"{magic} {hashlib.sha256(body).hexdigest()}".encode() + b"\n" + body)
    assert loaded() == first


def test_the_switch_turns_it_off(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CANLENS_NO_CACHE", "1")
    loaded()
    assert not folder.exists()


def test_a_folder_that_cannot_be_made_is_done_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setenv("CANLENS_NO_CACHE", "0")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "file"))
    assert loaded().find("Grip.Volts") is not None


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps other users out of the folder by itself")
def test_a_folder_into_which_others_may_write_is_not_used(folder: Path) -> None:
    loaded()
    file = kept(folder)
    file.unlink()
    folder.chmod(0o777)
    loaded()
    assert not list(folder.glob("*"))
    folder.chmod(stat.S_IRWXU)


def test_the_oldest_are_forgotten(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("canlens.database.cache.MOST_FILES", 3)
    for n in range(5):
        loaded(DBC.replace("291", str(300 + n)))
    assert len(list(folder.glob("*"))) == 3
