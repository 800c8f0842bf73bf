"""``canlens check --handover``: the folder that lasts, in an empty folder as a person would make it."""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import canlens
from canlens.reports.schema import SCHEMAS

ROOT = Path(canlens.__file__).parents[1]
PLAN = ROOT / "traces" / "quernholt.toml"
FAULTY = ROOT / "traces" / "quernholt-two-faults.log.gz"
JOB = """
number = "J-2026-031"
date = 2026-11-24
customer = "Jane Doe"
place = "North Road yard"
fitted_by = "Al O'Fitter"
not_tested = ["Rain: the work was done indoors."]
remove = ["sheepdog 7"]
[vehicle]
kind = "hut carrier, four wheels"
registration = "KX 21 QRN"
vin = "QRNZZZ31ZAB004711"
owner = "Fellside Huts"
odometer = 70418263
[controller]
model = "Hutbox"
serial_number = "HB-00317"
[parts.horn]
what = "air horn"
output = "air_horn"
fuse_a = 15
"""
FILES = {
    "report.html",
    "record.html",
    "customer-sheet.html",
    "report.txt",
    "check.json",
    "manifest.json",
    "SHA256SUMS",
    *(f"tables/{name}.csv" for name in ("outputs", "controls", "findings", "causes", "exercises")),
}


def check(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "canlens", "check", *arguments],
        capture_output=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"},
        encoding="utf-8",
    )


def written(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hand over the failed sample job, from a folder that holds nothing else."""
    made = tmp_path_factory.mktemp("job")
    (made / "job.toml").write_text(JOB, "utf-8")
    (made / "marks.csv").write_text("time_s,label\n11.96,horn\n", "utf-8")
    done = check(str(PLAN), str(FAULTY), "--marks", "marks.csv", "--job", "job.toml", "--handover", "over", folder=made)
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    assert done.stdout.startswith("FAILED")
    assert "Wrote" in done.stderr
    return made


def test_everything_that_lasts_is_in_the_folder(place: Path) -> None:
    files = written(place / "over")
    assert set(files) >= FILES
    assert files["inputs/traces/quernholt.toml"] == PLAN.read_bytes()
    assert files["inputs/dbc_examples/quernholt.dbc"] == (ROOT / "dbc_examples" / "quernholt.dbc").read_bytes()
    assert files["inputs/marks.csv"] == (place / "marks.csv").read_bytes()
    assert not any(name.endswith((".log", ".log.gz")) for name in files)


def test_every_hash_is_that_of_the_file(place: Path) -> None:
    files = written(place / "over")
    sums = dict(line.split("  ", 1)[::-1] for line in files["SHA256SUMS"].decode().splitlines())
    assert sums == {name: hashlib.sha256(each).hexdigest() for name, each in files.items() if name != "SHA256SUMS"}
    manifest = json.loads(files["manifest.json"])
    assert {row["file"]: row["sha256"] for row in manifest["files"]}.items() <= sums.items()
    hashes = {row["role"]: row["sha256"] for row in manifest["inputs"]}
    assert hashes["recording"] == hashlib.sha256(FAULTY.read_bytes()).hexdigest()
    assert hashes["job"] == hashlib.sha256((place / "job.toml").read_bytes()).hexdigest()


def test_the_manifest_obeys_its_schema_and_names_what_was_not_tested(place: Path) -> None:
    manifest = json.loads((place / "over" / "manifest.json").read_bytes())
    jsonschema.validate(manifest, SCHEMAS["handover-1.json"]())
    assert manifest["redacted"] is False
    assert manifest["not_tested"][-1] == "Rain: the work was done indoors."
    assert any("load works" in each for each in manifest["not_tested"])
    assert set(manifest["libraries"]) == {"python-can", "cantools", "numpy"}
    assert manifest["job"]["vehicle"]["registration"] == "KX 21 QRN"


def test_the_json_is_that_of_the_check_and_the_copied_plan_can_be_checked_again(place: Path) -> None:
    again = check(
        "over/inputs/traces/quernholt.toml",
        str(FAULTY),
        "--marks",
        "over/inputs/marks.csv",
        "--json",
        "-",
        folder=place,
    )
    assert json.loads(again.stdout)["outputs"] == json.loads((place / "over" / "check.json").read_bytes())["outputs"]


def test_the_tables_say_what_the_json_says(place: Path) -> None:
    result = json.loads((place / "over" / "check.json").read_bytes())
    outputs = _table(place / "over" / "tables" / "outputs.csv")
    assert [(row["output"], row["verdict"], int(row["answered"])) for row in outputs] == [
        (name, one["verdict"], one["answered"]) for name, one in result["outputs"].items()
    ]
    exercises = _table(place / "over" / "tables" / "exercises.csv")
    for name, one in result["outputs"].items():
        own = [row["outcome"] for row in exercises if row["output"] == name]
        assert own.count("answered") == one["answered"]
        assert own.count("unasked") == one["unasked"]
        assert sum(each in {"answered", "late", "unanswered"} for each in own) == one["due"]
    latencies = [float(row["latency_s"]) for row in exercises if row["output"] == "beacon" and row["latency_s"]]
    assert max(latencies) == pytest.approx(result["outputs"]["beacon"]["latency_s"]["max"])


def _table(path: Path, separator: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline=""), delimiter=separator))


def test_an_earlier_hand_over_is_only_replaced_when_asked_and_then_as_a_whole(place: Path) -> None:
    folder = place / "again"
    command = (str(PLAN), str(FAULTY), "--handover", "again")
    assert check(*command, "--job", "job.toml", folder=place).returncode == 1
    before = written(folder)
    refused = check(*command, folder=place)
    assert refused.returncode == 2
    assert "is not empty" in refused.stderr
    assert written(folder) == before
    (folder / "own notes.txt").write_text("mine", "utf-8")
    assert check(*command, "--force", folder=place).returncode == 1
    after = written(folder)
    assert "inputs/job.toml" not in after  # of the earlier one, which this one does not have
    assert after["own notes.txt"] == b"mine"


def test_decimal_commas_come_with_semicolons(place: Path) -> None:
    done = check(str(PLAN), str(FAULTY), "--handover", "comma", "--csv-locale", "comma", folder=place)
    assert done.returncode == 1
    rows = _table(place / "comma" / "tables" / "exercises.csv", separator=";")
    assert all(re.fullmatch(r"\d+,\d+|\d+", row["time_s"]) for row in rows)
    points = _table(place / "over" / "tables" / "exercises.csv")
    assert [float(row["time_s"].replace(",", ".")) for row in rows] == [float(row["time_s"]) for row in points]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--redact"], "--redact: belongs to a hand-over. Add --handover DIR."),
        (["--job", "job.toml"], "--job: belongs to a hand-over."),
        (["--handover", "x", "--csv-locale", "de"], "--csv-locale de: expected point"),
        (["--handover", "job.toml"], "expected a folder, found a file"),
        (["--handover", "x", "--job", "jb.toml"], "Close names: job.toml."),
        (["--handover", "-"], "the hand-over is a folder"),
    ],
)
def test_what_cannot_be_handed_over_is_a_sentence_before_any_work(
    place: Path, arguments: list[str], sentence: str
) -> None:
    done = check(str(PLAN), str(FAULTY), *arguments, folder=place)
    assert done.returncode == 2
    assert sentence in done.stderr
    assert done.stdout == ""
    assert not (place / "x").exists()


def test_the_job_details_in_the_readme_can_be_handed_over(tmp_path: Path) -> None:
    readme = (ROOT / "README.md").read_text("utf-8").partition("**4. Hand over.**")[2]
    block = re.search(r"^```toml\n(.*?)^```$", readme, re.MULTILINE | re.DOTALL)
    assert block is not None
    (tmp_path / "job.toml").write_text(block[1], "utf-8")
    (tmp_path / "box.cfg").write_bytes(b"siren=1")
    done = check(str(PLAN), str(FAULTY), "--job", "job.toml", "--handover", "over", folder=tmp_path)
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    manifest = json.loads((tmp_path / "over" / "manifest.json").read_bytes())
    hashes = {row["role"]: row["sha256"] for row in manifest["inputs"]}
    assert hashes["configuration"] == hashlib.sha256(b"siren=1").hexdigest()
    assert not (tmp_path / "over" / "inputs" / "box.cfg").exists()


def test_another_configuration_than_the_hash_says_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(
        f'[controller]\nconfiguration_file = "box.cfg"\nconfiguration_sha256 = "{"0" * 64}"\n', "utf-8"
    )
    (tmp_path / "box.cfg").write_bytes(b"siren=1")
    done = check(str(PLAN), str(FAULTY), "--job", "job.toml", "--handover", "over", folder=tmp_path)
    assert done.returncode == 2
    assert "configuration_sha256: expected the hash of box.cfg" in done.stderr
    assert not (tmp_path / "over").exists()


# --- redaction -----------------------------------------------------------------------------------------------------

OTHER_VIN = "ZZQHN2E38TK001234"
"""A number in the form of ISO 3779 that the job details do not name."""
PLANTED = (
    "KX21QRN",
    "QRNZZZ31ZAB004711",
    OTHER_VIN,
    "Jane Doe",
    "North Road yard",
    "Al O'Fitter",
    "Fellside Huts",
    "HB-00317",
    "J-2026-031",
    "2026-11-24",
    "sheepdog 7",
    "70418263",
    "jdoe",
    "1760000",
    "9.10.2025",
    "20251008",
)
"""What must not be in any file, in whatever spelling; behind a folder's name the clock's stamp and dates."""


@pytest.fixture(scope="module")
def redacted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hand over a job in whose every file something stands that tells which vehicle it is."""
    made = tmp_path_factory.mktemp("Jane Doe")
    (made / "dbc").mkdir()
    dbc = (ROOT / "dbc_examples" / "quernholt.dbc").read_text("utf-8")
    dbc = dbc.replace("PanelKeys", "Panel_KX21QRN").replace("Quernholt", "kx-21-qrn")
    dbc += f'\nCM_ "made for {OTHER_VIN}, of 20251008, see /home/jdoe/dbc/old.dbc and C:\\Users\\jdoe\\old.dbc";\n'
    (made / "dbc" / "fellside_huts.dbc").write_text(dbc, "utf-8")
    plan = PLAN.read_text("utf-8").replace("PanelKeys", "Panel_KX21QRN")
    plan = plan.replace("../dbc_examples/quernholt.dbc", "dbc/fellside_huts.dbc").replace("beacon_key", "kx21_qrn_key")
    plan = plan.replace("hut radio", f"radio of Jane  Doe {OTHER_VIN.lower()}").replace(
        "title = ", 'title = "kx 21-QRN, /home/jdoe/x/y" # Al O\'Fitter, sheepdog_7\n# ', 1
    )
    (made / "KX21QRN plan.toml").write_text(plan, "utf-8")
    log = gzip.decompress(FAULTY.read_bytes()).splitlines(keepends=True)
    log[40:40] = [
        f"broken by Jane Doe of {OTHER_VIN} at /home/jdoe/log\n".encode(),
        b"(1760000007.5) can0 x 9.10.2025\n",
    ]
    (made / "2026-11-24_kx_21_qrn.log").write_bytes(b"".join(log))
    (made / "marks.csv").write_text("# Jane Doe pressed\ntime_s,label\n1760000012.0,horn\n", "utf-8")
    (made / "readings.toml").write_text(
        'h_l_ohm = {value = 60, limit = [56, 64], source = "North Road Yard, J2026031"}\n', "utf-8"
    )
    (made / "observed.csv").write_text("time_s,output,on\n1760000012.1,air_horn,0\n", "utf-8")
    (made / "job.toml").write_text(JOB, "utf-8")
    done = check(
        "KX21QRN plan.toml",
        str(made / "2026-11-24_kx_21_qrn.log"),
        *("--marks", "marks.csv", "--readings", "readings.toml", "--observed", "observed.csv"),
        *("--job", "job.toml", "--handover", "over", "--redact"),
        folder=made,
    )
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    return made


def _bare(text: str) -> str:
    return "".join(re.findall(r"[^\W_]+", text)).lower()


def test_nothing_that_was_planted_is_in_any_file_or_name(redacted: Path) -> None:
    files = written(redacted / "over")
    assert set(files) >= FILES
    for name, content in files.items():
        bare = _bare(f"{name} {content.decode('utf-8')}")
        found = [each for each in PLANTED if _bare(each) in bare]
        assert not found, name
        assert str(redacted).encode() not in content


def test_what_was_planted_is_there_without_redaction(redacted: Path) -> None:
    done = check(
        "KX21QRN plan.toml",
        "2026-11-24_kx_21_qrn.log",
        *("--marks", "marks.csv", "--readings", "readings.toml", "--observed", "observed.csv"),
        *("--job", "job.toml", "--handover", "plain"),
        folder=redacted,
    )
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    bare = _bare(" ".join(f"{name} {content.decode()}" for name, content in written(redacted / "plain").items()))
    assert [each for each in PLANTED if _bare(each) not in bare] == []


def test_the_manifest_says_what_was_left_out_and_keeps_the_hashes_of_the_inputs(redacted: Path) -> None:
    manifest = json.loads((redacted / "over" / "manifest.json").read_bytes())
    jsonschema.validate(manifest, SCHEMAS["handover-1.json"]())
    assert manifest["redacted"] is True
    told = {row["what"]: row["count"] for row in manifest["left_out"]}
    assert told["vehicle.registration"] > 0
    assert told["texts that look like a vehicle identification number"] > 0
    assert {"vehicle.odometer", "customer", "place", "date", "folders of files"} <= set(told)
    assert any(what.startswith("the recorder's clock") for what in told)
    assert manifest["job"]["vehicle"] == {"kind": "hut carrier, four wheels"}
    hashes = {row["role"]: row["sha256"] for row in manifest["inputs"]}
    assert hashes["plan"] == hashlib.sha256((redacted / "KX21QRN plan.toml").read_bytes()).hexdigest()


def test_the_redacted_copies_can_be_checked_again_with_the_same_answer(redacted: Path) -> None:
    manifest = json.loads((redacted / "over" / "manifest.json").read_bytes())
    copies = {row["role"]: f"over/{row['copy']}" for row in manifest["inputs"] if row["copy"]}
    assert set(copies) == {"plan", "database", "marks", "readings", "observed"}
    done = check(
        copies["plan"],
        "2026-11-24_kx_21_qrn.log",
        *("--marks", copies["marks"], "--readings", copies["readings"], "--observed", copies["observed"]),
        *("--json", "-"),
        folder=redacted,
    )
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    again = json.loads(done.stdout)
    first = json.loads((redacted / "over" / "check.json").read_bytes())
    for each in (*again["outputs"].values(), *first["outputs"].values()):
        assert len(each.pop("decided_by")) == 1  # under its own name, or redacted
    assert again["outputs"] == first["outputs"]
    told = [each["claim"] for each in again["findings"] if each["check"] != "unread-lines"]  # the log is as it was
    assert told == [each["claim"] for each in first["findings"] if each["check"] != "unread-lines"]


# --- hostile names -------------------------------------------------------------------------------------------------

HOSTILE = "=cmd|'/c calc'!A1 <script>alert(1)</script> \x1b[31m\u202e\"&quot; [bold]x[/]"
"""Something for every place: a spreadsheet, a page, a console and a reader of brackets."""


def test_hostile_names_stay_text_in_every_file(tmp_path: Path) -> None:
    (tmp_path / "plans").mkdir()
    written_as = json.dumps(HOSTILE)  # a string of JSON is one of TOML
    plan = PLAN.read_text("utf-8").replace('load = "hut radio"', f"load = {written_as}")
    plan = re.sub(r"^title = .*$", lambda _: f"title = {written_as}", plan, flags=re.MULTILINE)
    plan = plan.replace("../dbc_examples/quernholt.dbc", "hostile.dbc")
    (tmp_path / "plans" / "=plan.toml").write_text(plan, "utf-8")
    dbc = (ROOT / "dbc_examples" / "quernholt.dbc").read_text("utf-8")
    (tmp_path / "plans" / "hostile.dbc").write_text(f'{dbc}\nCM_ "{HOSTILE.replace(chr(34), chr(39))}";\n', "utf-8")
    (tmp_path / "job.toml").write_text(f"customer = {written_as}\nnot_tested = [{written_as}]\n", "utf-8")
    done = check("plans/=plan.toml", str(FAULTY), "--job", "job.toml", "--handover", "over", folder=tmp_path)
    assert (done.returncode, "Traceback" in done.stderr) == (1, False), done.stderr
    files = written(tmp_path / "over")
    for name, content in files.items():
        if name.startswith("inputs/"):
            continue
        text = content.decode("utf-8-sig")
        if not name.endswith(".json"):  # in which they are text, and escaped where JSON asks for it
            assert "\x1b" not in text, name
            assert "\u202e" not in text, name
        assert b"\x1b" not in content, name
        if name.endswith(".html"):
            assert "<script>alert" not in text, name
    row = next(row for row in _table(tmp_path / "over" / "tables" / "outputs.csv") if row["output"] == "hut_radio")
    assert row["load"].startswith("'=cmd|")
    assert "[bold]x[/]" in row["load"]
    assert "\x1b" not in done.stdout
    assert "[bold]x[/]" in " ".join(done.stdout.split())
    assert json.loads(files["manifest.json"])["job"]["customer"] == HOSTILE
