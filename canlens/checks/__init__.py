"""The checks, in report order: one file each, one visible catalogue."""

from canlens.checks import (
    contradicted_output,
    dead_load,
    dropped_output,
    exchanged_outputs,
    indistinct_rule,
    late_answer,
    misrouted_output,
    missing_message,
    no_traffic,
    over_current,
    poor_recording,
    silent_controller,
    stray_current,
    stuck_output,
    unanswered_control,
    unasked_output,
    unexercised_control,
    unheard_control,
    unmoved_control,
    unread_lines,
    unshown_output,
    untested_part,
    unused_entry,
    wrong_cut_off,
    wrong_flashing,
    wrong_level,
    wrong_run_on,
)
from canlens.checks.entry import BusCheck, Check

__all__ = ["ALL", "OF_THE_BUS", "BusCheck", "Check"]

ALL: tuple[Check | BusCheck, ...] = (
    no_traffic.CHECK,
    poor_recording.CHECK,
    missing_message.CHECK,
    silent_controller.CHECK,
    unmoved_control.CHECK,
    unheard_control.CHECK,
    exchanged_outputs.CHECK,
    misrouted_output.CHECK,
    unanswered_control.CHECK,
    late_answer.CHECK,
    unasked_output.CHECK,
    stuck_output.CHECK,
    dropped_output.CHECK,
    wrong_run_on.CHECK,
    wrong_cut_off.CHECK,
    wrong_level.CHECK,
    wrong_flashing.CHECK,
    over_current.CHECK,
    dead_load.CHECK,
    stray_current.CHECK,
    contradicted_output.CHECK,
    indistinct_rule.CHECK,
    unread_lines.CHECK,
    unused_entry.CHECK,
    unexercised_control.CHECK,
    untested_part.CHECK,
    unshown_output.CHECK,
)

OF_THE_BUS: tuple[BusCheck, ...] = tuple(each for each in ALL if isinstance(each, BusCheck))
"""Those that need no plan, in the same order."""
