"""The checks, in report order: a function each, whose docstring is its manual page; one visible catalogue."""

from canlens.checks import of_bus, of_controls, of_definitions, of_loads, of_messages, of_outputs, of_recording
from canlens.checks.entry import BusCheck, Check, OutputCheck
from canlens.results.finding import MEASURE_LIVE, OVER_CURRENT, WIRING

__all__ = ["ALL", "OF_THE_BUS", "BusCheck", "Check", "OutputCheck"]

ALL: tuple[Check | BusCheck | OutputCheck, ...] = (
    Check(of_recording.no_traffic),
    Check(of_recording.poor_recording),
    Check(of_recording.unfitting_plan),
    BusCheck(of_bus.unacknowledged_sender),
    BusCheck(of_bus.bus_off),
    BusCheck(of_bus.error_episodes),
    BusCheck(of_bus.contradicted_bit_rate),
    BusCheck(of_bus.odd_reading),
    Check(of_messages.missing_message),
    BusCheck(of_messages.vanished_message),
    BusCheck(of_bus.interrupted_bus),
    BusCheck(of_messages.duplicate_sender),
    BusCheck(of_messages.irregular_message),
    BusCheck(of_messages.skipping_counter),
    BusCheck(of_messages.wrong_cycle_time),
    BusCheck(of_messages.changing_length),
    BusCheck(of_bus.high_bus_load),
    Check(of_controls.silent_controller),
    Check(of_controls.restarting_controller),
    Check(of_controls.unmoved_control),
    Check(of_controls.unheard_control),
    Check(of_outputs.exchanged_outputs),
    Check(of_outputs.misrouted_output),
    OutputCheck(of_outputs.unanswered_control, ("unanswered",), MEASURE_LIVE),
    OutputCheck(of_outputs.late_answer, ("late",)),
    OutputCheck(of_outputs.unasked_output, ("unasked",)),
    OutputCheck(of_outputs.stuck_output, ("stuck", "never-cut-off"), MEASURE_LIVE),
    OutputCheck(of_outputs.dropped_output, ("dropped",), f"{OVER_CURRENT} {WIRING}"),
    OutputCheck(of_outputs.wrong_run_on, ("wrong-run-on",)),
    OutputCheck(of_outputs.wrong_cut_off, ("wrong-cut-off",), WIRING),
    OutputCheck(of_loads.wrong_level, ("wrong-level-by-day", "wrong-level-by-night"), one_each=True),
    OutputCheck(of_loads.wrong_flashing, ("wrong-flashing",)),
    OutputCheck(of_loads.over_current, ("over-current",), f"{OVER_CURRENT} {MEASURE_LIVE}"),
    OutputCheck(of_loads.dead_load, ("no-current", "no-voltage"), MEASURE_LIVE),
    OutputCheck(of_loads.stray_current, ("stray-current",), MEASURE_LIVE),
    OutputCheck(of_outputs.contradicted_output, ("seen-otherwise",), MEASURE_LIVE),
    Check(of_outputs.indistinct_rule, of_whole_job=True),
    BusCheck(of_bus.stays_awake),
    BusCheck(of_recording.unrecorded_errors),
    Check(of_recording.unread_lines),
    Check(of_definitions.unused_entry),
    BusCheck(of_definitions.unlisted_identifier),
    BusCheck(of_definitions.other_length),
    BusCheck(of_definitions.swapped_bytes),
    BusCheck(of_definitions.undeclared_value),
    BusCheck(of_definitions.unavailable_value),
    Check(of_controls.counted_invalid),
    BusCheck(of_definitions.uncovered_bits),
    BusCheck(of_definitions.still_signal),
    BusCheck(of_definitions.unseen_message),
    Check(of_controls.unexercised_control, of_whole_job=True),
    Check(of_outputs.untested_part, of_whole_job=True),
    Check(of_outputs.unshown_output, of_whole_job=True),
)

OF_THE_BUS: tuple[BusCheck, ...] = tuple(each for each in ALL if isinstance(each, BusCheck))
"""Those that need no plan, in the same order."""
