from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canlens.nouns.pictures import Lane
from canlens.reports.layout import display_width
from canlens.reports.text import PARTS, check_text
from canlens.results.finding import Finding, Lines
from tests.unit import sample_results as sample

if TYPE_CHECKING:
    from canlens.nouns.bus import Recorded
    from canlens.results.check import CheckResult, OutputResult

HOSTILE = (
    "[bold]x[/]",
    "\x1b[31mred\x1b[0m",
    "\x1b]0;title\x07",
    "n" * 300,
    "horn\u202enroh\u2066",
    "喇叭" * 60,
    "a\nb\rc\td",
    "o\u0308" * 200,
    "{braces} %s %(x)s",
)
ENCODINGS = ("utf-8", "ascii", "cp1252")


def _with_name(name: str) -> CheckResult:
    """Return a result in which every free text is the name."""
    finding = Finding(
        check="unanswered-control",
        severity="failure",
        safety=True,
        subject=(name, name),
        claim=name,
        evidence=Lines(lines=tuple(range(1, 20)), times_s=(1.0,) * 19),
        cannot_tell=name,
        next_step=name,
        would_change=name,
        caution=name,
    )
    recording = replace(
        sample.RECORDING,
        file=name,
        format=name,
        channels=(name, name),
        quality_reasons=(name,),
        problems=(replace(sample.RECORDING.problems[0], found=name, expected=name),) * 12,
        database_problems=(replace(sample.RECORDING.problems[0], line=0, found=name, expected=name),),
    )
    output: OutputResult = replace(
        sample.failed(name), reason=name, observed=f"{name}!", load=name, also_fits=(name, name), late=1
    )
    idle = replace(sample.unproven(name), reason=name, next_exercise=name)
    return replace(
        sample.FAILED,
        title=name,
        recordings=(recording, recording),
        buses={name: sample.BUS, f"{name}2": replace(sample.BUS, bit_rate=None)},
        controls={name: replace(sample.FAILED.controls["horn"], signal=name, marked=3)},
        outputs={name: output, f"{name}2": idle},
        findings=(finding, replace(finding, subject=())),
        causes=(
            replace(sample.CAUSE, subject=(name,), because=(name,), against=(name,), next_test=name, caution=name),
        ),
    )


def _first_three(result: CheckResult) -> list[str]:
    return check_text(result).splitlines()[:3]


def test_the_head_of_a_failed_job_is_verdict_broken_link_likely_cause_next_test_and_caution_in_ten_lines() -> None:
    head = check_text(sample.FAILED).split("\n\n")[0]
    assert len(head.splitlines()) <= 10
    verdict, where, likely = head.splitlines()[:3]
    assert verdict == "FAILED – 1 of 3 outputs does not do what the plan says."
    assert where == "siren (safety item): broken at link 6 of 9, not commanded as planned."
    assert likely.startswith("Most likely: siren: a rule, but not the planned one, 97 %")
    assert "Do next: Operate brake_front alone and listen for the siren." in head
    assert head.index("Do next:") < head.index("Caution: Keep hands off moving parts.")


def test_without_a_likely_cause_the_worst_finding_says_what_to_do() -> None:
    doubtful = replace(sample.FAILED, causes=(replace(sample.CAUSE, probability=0.3),))
    assert _first_three(doubtful)[2].startswith("Do next: Set output siren to horn")


def test_the_first_three_lines_of_a_job_without_proof_say_what_is_missing_and_how_to_prove_it() -> None:
    verdict, where, step = _first_three(sample.NOT_PROVEN)
    assert verdict == "NOT PROVEN – 1 of 2 outputs could not be proven from this recording."
    assert where == "flood: ignition was exercised once; 3 exercises are needed."
    assert step == "Do next: Switch ignition on and off twice more, at least 2 s each."


def test_without_a_next_exercise_the_finding_about_the_output_gives_the_next_step() -> None:
    lamp = replace(sample.unproven(), next_exercise=None)
    step = _first_three(replace(sample.NOT_PROVEN, outputs={"flood": lamp}))[2]
    assert step == "Do next: Switch ignition on and off twice more."


def test_a_poor_recording_comes_before_what_its_outputs_lack() -> None:
    poor = replace(sample.NOTE, check="poor-recording", severity="warning", subject=(), next_step="Record anew.")
    _, where, step = _first_three(replace(sample.NOT_PROVEN, findings=(poor,)))
    assert where == poor.claim
    assert step == "Do next: Record anew."


def test_the_first_three_lines_of_a_proven_job_name_what_no_recording_shows() -> None:
    verdict, where, step = _first_three(sample.PROVEN)
    assert verdict == "PROVEN – all 2 outputs did what the plan says in this recording."
    assert where.startswith("No recording can show whether the loads work")
    assert step.startswith("Do next: Keep the report")


def test_a_warning_gives_the_next_step_of_a_proven_job() -> None:
    warning = replace(sample.FINDING, severity="warning", next_step="Look at the supply.")
    assert _first_three(replace(sample.PROVEN, findings=(warning,)))[2] == "Do next: Look at the supply."


def test_one_output_is_spoken_of_in_the_singular() -> None:
    assert _first_three(replace(sample.PROVEN, outputs={"siren": sample.proven()}))[0] == (
        "PROVEN – the one output did what the plan says in this recording."
    )


def test_a_fault_of_the_bus_is_not_put_on_an_output() -> None:
    cause = replace(sample.CAUSE, cause="no-traffic", scope="bus", subject=(), next_test="Turn the key on.")
    result = replace(sample.NOT_PROVEN, verdict="failed", findings=(), causes=(cause,))
    verdict, where, step = _first_three(result)
    assert verdict == "FAILED – the fault is not in one output, but on the bus or at the controller."
    assert where == "Most likely: no-traffic (bus)."
    assert step == "Do next: Turn the key on."


def test_a_failed_output_without_a_finding_is_still_named() -> None:
    assert _first_three(replace(sample.FAILED, findings=()))[1].startswith("siren: broken at link 6 of 9")


def test_the_caution_of_the_next_step_follows_it_at_once() -> None:
    lines = check_text(replace(sample.FAILED, causes=())).split("\n\n")[0]
    assert "Caution: Fuse the supply before you measure" in lines


def test_safety_items_come_first_among_equals() -> None:
    plain = replace(sample.FINDING, safety=False, claim="The plain one.")
    text = check_text(replace(sample.FAILED, findings=(plain, sample.FINDING)))
    assert text.index("FAILURE, siren, safety item") < text.index("The plain one.")


def test_what_follows_from_another_finding_stands_behind_it_and_says_so() -> None:
    reason = replace(sample.FINDING, check="misrouted-output", safety=False, claim="It follows brake_front.")
    consequence = replace(sample.FINDING, consequence_of="misrouted-output")
    text = check_text(replace(sample.FAILED, findings=(consequence, reason)))
    assert text.index("It follows brake_front.") < text.index(sample.FINDING.claim)
    assert text.count("Follows from  misrouted-output") == 1
    assert text.count("    Do next  ") == 1  # the step of what explains it is the only one


def test_failures_come_before_warnings_and_notes() -> None:
    text = check_text(replace(sample.FAILED, findings=(sample.NOTE, sample.FINDING)))
    assert text.index("1.  FAILURE") < text.index("2.  NOTE")


def test_every_part_of_a_finding_is_printed() -> None:
    text = " ".join(check_text(sample.FAILED).split())
    for part in (
        sample.FINDING.claim,
        sample.FINDING.cannot_tell,
        sample.FINDING.next_step,
        sample.FINDING.would_change,
        sample.FINDING.caution,
        "lines 812, 1544; at 3.100, 7.250 s",
        "canlens explain unanswered-control",
    ):
        assert part in text


def test_evidence_of_several_recordings_names_the_recording() -> None:
    finding = replace(sample.FINDING, evidence=Lines(lines=(7,), times_s=(0.5,), recording=1))
    text = check_text(replace(sample.FAILED, findings=(finding,), recordings=(sample.RECORDING, sample.RECORDING)))
    assert "recording 2: line 7; at 0.500 s" in text
    assert "RECORDING 2\n" in text


def test_long_evidence_says_how_many_lines_are_not_printed() -> None:
    finding = replace(sample.FINDING, evidence=Lines(lines=tuple(range(100, 120))))
    text = " ".join(check_text(replace(sample.FAILED, findings=(finding,))).split())
    assert "106, 107 and 12 more" in text


def test_the_chain_shows_seen_broken_and_untold_links() -> None:
    text = check_text(sample.FAILED)
    assert "link   123 456 789\nsiren  ✓✓✓ ✓✓✗ ???  broken at 6, output commanded\n" in text
    assert "lamp   ✓✓✓ ✓✓✓ ??✓  not shown: 7, 8\n" in text


def test_the_chain_can_be_read_on_an_ascii_console() -> None:
    text = check_text(sample.FAILED, encoding="ascii")
    assert "siren  +++ ++X ???" in text
    assert "+ seen, X broken, ? cannot be told" in text
    text.encode("ascii")


def _lanes(name: str) -> list[Lane]:
    """Return a control that was on in the middle, and an output that answered once, missed once, came unasked once."""
    state = np.repeat(np.array([-1, 0, 1, 2, 0, 0], np.int8), PARTS // 6)
    counts = np.zeros((4, PARTS), np.int64)
    counts[0, 20] = counts[1, 30] = counts[2, 40] = 1
    return [
        Lane(name, "control", state, counts[3], counts[3], counts[3]),
        Lane(name, "output", state, counts[0], counts[1], counts[2]),
    ]


def test_the_time_line_shows_states_answers_and_what_went_wrong() -> None:
    text = check_text(sample.FAILED, lanes=[_lanes("siren")])
    section = text.split("TIME LINE, 92.1 s; one sign is 1.5 s\n")[1].split("\n\nFINDINGS")[0]
    *_, control, blank, output, axis = section.splitlines()
    assert control == f"siren    {'?' * 10}{'·' * 10}{'█' * 10}{'▄' * 10}{'·' * 20}"
    assert blank == ""
    assert output == f"siren    {'?' * 10}{'·' * 10}✓{'█' * 9}✗{'▄' * 9}!{'·' * 19}"
    assert axis.split() == ["seconds", "0", "23", "46", "69", "92"]


def test_the_time_line_can_be_read_on_an_ascii_console() -> None:
    text = check_text(sample.FAILED, lanes=[_lanes("siren")], encoding="ascii")
    assert "# on, = on and off, . off, ? not known" in text
    assert "??????????..........##########==========...................." in text


def test_each_of_several_recordings_has_its_time_line_and_the_legend_stands_once() -> None:
    result = replace(sample.FAILED, recordings=(sample.RECORDING, sample.RECORDING))
    text = check_text(result, lanes=[_lanes("siren"), _lanes("siren")])
    assert "TIME LINE of recording 1, 92.1 s" in text
    assert "TIME LINE of recording 2, 92.1 s" in text
    assert text.count("█ on,") == 1


def test_the_table_holds_counts_and_latencies_in_milliseconds() -> None:
    lines = check_text(sample.FAILED).splitlines()
    assert any(re.fullmatch(r"lamp +repeater +horn +PROVEN +5 of 5 +23.4 / 31.2", line) for line in lines)
    assert any(re.fullmatch(r"siren +two-tone siren +horn +FAILED +0 of 5 +– / –", line) for line in lines)


def test_not_recorded_is_not_called_none() -> None:
    text = " ".join(check_text(sample.FAILED).split())
    assert "none recorded, which is not the same as none" in text


@pytest.mark.parametrize("recorded", ["unknown", "no"])
def test_a_recording_that_may_hide_error_frames_never_prints_a_bare_zero(recorded: Recorded) -> None:
    recording = replace(sample.RECORDING, error_frames_recorded=recorded)
    text = check_text(replace(sample.PROVEN, recordings=(recording,)))
    assert not re.search(r"^error frames +0$", text, re.MULTILINE)


def test_what_was_not_tested_lists_outputs_and_links() -> None:
    section = check_text(sample.FAILED).split("NOT TESTED\n")[1].split("\n\n")[0]
    assert "* flood: ignition was exercised once; 3 exercises are needed." in section
    assert 'Link "load works" was not shown for any output.' in section
    assert 'Link "stops as planned" was not shown for siren.' in section


def test_what_settles_all_is_told_once_and_not_output_by_output() -> None:
    text = check_text(replace(sample.NOT_PROVEN, next_exercises=("operate ignition twice", "horn_2 once.")))
    section = text.split("NOT TESTED\n")[1].split("\n\nCONTROLS")[0]
    assert section.endswith(
        "To settle what exercises can settle, record this:\n1.  Operate ignition twice.\n2.  horn_2 once."
    )
    assert "To prove it" not in section
    assert "To prove it: Switch ignition on and off twice more" in check_text(sample.NOT_PROVEN)


def test_unusable_lines_are_told_with_their_numbers() -> None:
    text = check_text(sample.FAILED)
    assert "line 12: found (17600, expected (time) channel frame (3 of this kind)" in text


def test_an_unknown_bit_rate_gives_no_load_but_says_what_to_do() -> None:
    bus = replace(sample.BUS, bit_rate=None, bus_load=None, bus_load_peak=None, bit_rate_source="unknown")
    text = check_text(replace(sample.PROVEN, bus=bus, buses={"can0": bus}))
    assert "Unknown, since the bit rate is: write bit_rate under [bus] in the plan." in text


def test_the_standing_cautions_close_the_page() -> None:
    text = check_text(sample.PROVEN)
    tail = " ".join(text.split("CAUTIONS\n")[1].split())
    for word in (
        "negative lead",
        "Fuse",
        "Airbag",
        "Never transmit",
        "local code",
        "maker's manual",
        "licensed",
    ):
        assert word in tail


@pytest.mark.parametrize("result", [sample.FAILED, sample.PROVEN, sample.NOT_PROVEN])
def test_the_page_never_says_legal_or_safe(result: CheckResult) -> None:
    assert not re.search(r"\b(il)?legal|\b(un)?safe\b", check_text(result), re.IGNORECASE)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_breaks_the_page(name: str, encoding: str) -> None:
    text = check_text(_with_name(name), lanes=[_lanes(name), _lanes(name)], encoding=encoding)
    text.encode(encoding)
    for line in text.split("\n"):
        assert display_width(line) <= 80
        assert line.isprintable()


def test_square_brackets_are_printed_as_they_stand() -> None:
    assert "1.  FAILURE, [bold]x[/] and [bold]x[/], safety item" in check_text(_with_name("[bold]x[/]"))


def test_a_long_name_is_wrapped_and_not_cut() -> None:
    text = check_text(_with_name("n" * 300))
    claim = text.split("FAILURE,")[1].split("Seen")[0]
    assert claim.count("n") >= 3 * 300
