"""Trials: the tests of the trade, in the order in which they cost, and what each shows under each cause.

The order is that in which good people split "it does nothing": what needs no tool first, then ohms and volts, then the
configuration last.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from canlens.results.finding import MEASURE_LIVE, OVER_CURRENT, WIRING, safety_caution

if TYPE_CHECKING:
    from collections.abc import Mapping


Kind = Literal["look", "live", "wiring", "over-current"]
CAUTIONS = {"look": "", "live": MEASURE_LIVE, "wiring": WIRING, "over-current": f"{OVER_CURRENT} {MEASURE_LIVE}"}


@dataclass(frozen=True)
class Trial:
    """A test: what to do, and what it shows under each cause that it can tell from others.

    Attributes
    ----------
    do
        One sentence.
    shows
        Cause -> the reading to expect.
    kind
        What sort of work it is; decides the caution.
    """

    do: str
    shows: Mapping[str, str]
    kind: Kind = "look"

    def splits(self, one: str, other: str) -> bool:
        """Tell whether two causes would show different things."""
        return one in self.shows and other in self.shows and self.shows[one] != self.shows[other]

    def caution(self, safety: str | None) -> str:
        """Return the caution that belongs to the work."""
        return safety_caution(safety, CAUTIONS[self.kind])


TRIALS: tuple[Trial, ...] = (
    Trial(
        "Switch {ignition} on and record again, a minute, every control operated once",
        {
            "no-traffic": "frames, if the bus only slept",
            "lines-shorted": "still no frame",
            "wrong-bit-rate": "error records and still no frame",
            "nobody-acknowledges": "frames of several identifiers, if the others only slept",
        },
    ),
    Trial(
        "Set the recorder to 125, 250, 500 and 1000 kbit/s in turn, listening only",
        {
            "wrong-bit-rate": "frames and no errors at one of them",
            "nobody-acknowledges": "the same errors at every one",
            "no-traffic": "nothing at any of them",
        },
    ),
    Trial(
        "Battery off, measure H to L",
        {
            "no-traffic": "about 60 ohm",
            "lines-shorted": "under 2 ohm",
            "wrong-bit-rate": "about 60 ohm",
            "nobody-acknowledges": "about 60 ohm, more at an open branch",
            "terminator-missing": "about 120 ohm",
            "terminator-extra": "about 40 ohm",
            "node-intermittent": "about 60 ohm at rest",
            "interference-from-output": "about 60 ohm",
            "duplicate-identifier": "about 60 ohm",
        },
        "wiring",
    ),
    Trial(
        "Record for a minute with {output} off, then for a minute with it on",
        {
            "interference-from-output": "errors only while it is on",
            "terminator-missing": "errors all the time",
            "node-intermittent": "errors that do not care about {output}",
            "supply-sag": "gaps of {node} each time it turns on",
        },
    ),
    Trial(
        "Record while one person wiggles the plug and the lead of {node}",
        {
            "node-intermittent": "gaps that follow the hand",
            "terminator-missing": "errors that do not care about the hand",
            "supply-sag": "gaps that come with {output} and not with the hand",
            "interference-from-output": "errors that come with {output} and not with the hand",
        },
    ),
    Trial(
        "Unplug what was fitted last and record again",
        {
            "duplicate-identifier": "the identifier falls to half its rate",
            "bus-stays-awake": "a bus that is silent in time",
            "terminator-extra": "60 instead of 40 ohm on the meter",
            "terminator-missing": "the same errors",
        },
        "wiring",
    ),
    Trial(
        "Record at the intended connector, every control operated once; look for {message}",
        {
            "message-missing": "frames of it there, if this was another bus",
            "controller-silent": "still no frame of {node}",
            "control-never-changes": "the same message, and the same still signal",
        },
    ),
    Trial(
        "Measure supply and ground of {node} at its own plug with a lamp as load, then H and L there",
        {
            "controller-silent": "no supply, no ground, or no bus there",
            "message-missing": "all well",
            "supply-sag": "a supply that falls under load",
        },
        "live",
    ),
    Trial(
        "Measure supply to ground at the plug of {node} while {output} turns on, then battery minus to its ground pin",
        {
            "supply-sag": "a drop of some volts",
            "controller-silent": "no supply at all",
            "load-over-current": "a small drop",
            "node-intermittent": "a steady supply",
            "output-not-commanded": "a steady supply",
        },
        "live",
    ),
    Trial(
        "Operate {control} again with marks; see whether its original function works and which other bits move",
        {
            "control-never-changes": "{message} stands still; another bit may move",
            "output-not-commanded": "its signal moves, {output} stays off",
        },
    ),
    Trial(
        "Operate {follows} alone, three times, then {control} alone, three times",
        {
            "output-follows-other-control": "{output} comes on with the first alone; no other output goes wrong",
            "outputs-swapped": "{output} comes on with the first, {other} with the second",
            "output-not-commanded": "{output} never comes on",
            "output-always-on": "{output} never goes off",
            "answer-late": "{output} comes on with the second, late",
            "load-over-current": "{output} comes on with the second, and drops at once",
        },
    ),
    Trial(
        "Take the load off {output} and measure at {terminal} with all controls at rest",
        {
            "output-always-on": "full voltage",
            "output-follows-other-control": "0 V until another control is operated",
            "outputs-swapped": "0 V until the other control is operated",
            "run-on-differs": "0 V once the run-on has passed",
            "output-not-commanded": "0 V",
        },
        "live",
    ),
    Trial(
        "Unplug the load of {output} and operate {control} again",
        {
            "load-over-current": "{output} now stays on",
            "load-open": "no change",
            "output-intermittent": "{output} now stays on, if it was its protection",
            "output-not-commanded": "no change: {output} stays off",
            "cut-off-differs": "it is cut off after the same time",
            "run-on-differs": "the same times",
            "supply-sag": "no restart any more",
        },
        "over-current",
    ),
    Trial(
        "Measure the voltage at the two pins of {load} while {output} is on",
        {
            "load-open": "full voltage: a dead load; none: an open wire or ground",
            "output-not-fed": "none, nor at {terminal}",
            "load-over-current": "full voltage for a moment, then 0 V",
            "output-not-commanded": "0 V all the time",
        },
        "live",
    ),
    Trial(
        "Measure the voltage at {terminal} while {output} is on; then its fuse and its supply pin",
        {
            "output-not-fed": "none: an open fuse, or a supply pin without voltage",
            "load-open": "full voltage",
            "output-intermittent": "full voltage that comes and goes",
        },
        "live",
    ),
    Trial(
        "Hold {control} and move plug and wire of {output} and of its load",
        {
            "output-intermittent": "{output} drops out with the movement",
            "load-open": "no change",
        },
    ),
    Trial(
        "Operate {control} five times and compare the delays of {output}",
        {
            "answer-late": "equal delays are configured; scattered ones come from the bus",
            "output-not-commanded": "no answer at all",
        },
    ),
    Trial(
        "Hold {rule} on for longer than {cut_off}, twice, and compare the on-times of {output}",
        {
            "cut-off-differs": "equal times: look the timer up in the configuration",
            "load-over-current": "short times with a current above the limit",
            "run-on-differs": "it stays on throughout",
        },
    ),
    Trial(
        "Operate {control} three times and measure how long {output} stays on after it",
        {
            "run-on-differs": "equal times that are not {run_on}: look the timer up in the configuration",
            "cut-off-differs": "the planned time",
            "load-over-current": "it is off before",
        },
    ),
    Trial(
        "Measure the average voltage at {load} by day and by night; then look up both levels in the configuration",
        {"level-differs": "the wrong share of the supply", "flash-differs": "the right share of the supply"},
        "live",
    ),
    Trial(
        "Count the flashes of {output} in ten seconds; then look up its frequency in the configuration",
        {"flash-differs": "another number than planned", "level-differs": "the planned number"},
    ),
    Trial(
        "Pull the fuse of what was fitted, wait the full time, and record again; see whether {identifier} speaks first",
        {"bus-stays-awake": "a bus that is silent in time"},
        "wiring",
    ),
)
"""In order of cost."""
PLAIN = Trial(
    "Record once more, every control operated three times, with marks, and compare",
    {},
)
"""Where no table fits."""


def best_trial(cause: str, rival: str | None) -> Trial:
    """Return the cheapest test that tells a cause from its rival; without a rival, its own."""
    own = [trial for trial in TRIALS if cause in trial.shows]
    splitting = [trial for trial in own if rival is not None and trial.splits(cause, rival)]
    return next(iter([*splitting, *sorted(own, key=lambda trial: list(trial.shows).index(cause))]), PLAIN)


def sentence(trial: Trial, cause: str, rival: str | None, words: Mapping[str, str]) -> str:
    """Say what to do, and what to expect under the cause and under its rival."""
    done = f"{trial.do}."
    if cause in trial.shows:
        done += f" Expect, if it is this: {trial.shows[cause]}."
    if rival is not None and trial.splits(cause, rival):
        done += f" If it is {rival}: {trial.shows[rival]}."
    return done.format_map(_Words(words))


class _Words(dict[str, str]):
    """Words by name; one that is not known stands for itself."""

    def __missing__(self, name: str) -> str:
        return f"the {name.replace('_', ' ')}"
