"""Names, signals and conditions of a plan, looked up among its controls and in its databases."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from canlens.errors import RuleError
from canlens.plan.nouns import REST, Condition, SignalReference
from canlens.plan.rule import KEYWORDS, Rule, parse_rule
from canlens.plan.written import Keys, Mistakes, close_names, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from canlens.database import Database, SignalDefinition
    from canlens.plan.shape import ConditionShape


# Names of controls and outputs, and the rules over them, as a plan writes them.


_NAME = re.compile(r"[A-Za-z0-9_-]+")
_NO_NAME = re.compile(r"[^A-Za-z0-9_-]+")


class ControlNames:
    """The controls of a plan by name, and what refers to them.

    Parameters
    ----------
    names
        All that the plan lists, also those with mistakes of their own.
    mistakes
        Takes what refers to none of them.
    """

    def __init__(self, names: Iterable[str], mistakes: Mistakes) -> None:
        self.names = tuple(names)
        self.mistakes = mistakes

    def control(self, keys: Keys, name: str | None) -> str | None:
        """Return the name, after noting if it is no control's."""
        if name is not None and name not in self.names:
            close = close_names(name, self.names)
            self.mistakes.add(keys, "the name of a control", f"'{name}'", close=close)
        return name

    def rule(self, keys: Keys, text: str | None) -> Rule | None:
        """Return the rule; None if there is no text, or it is no rule (then it is noted)."""
        if text is None or keys in self.mistakes or not self.names:
            return None
        try:
            return parse_rule(text, self.names)
        except RuleError as error:
            found = f"{error.found} at character {error.position} of '{text}'"
            self.mistakes.add(keys, error.expected, found, close=error.close)
            return None


def check_name(keys: Keys, mistakes: Mistakes) -> None:
    """Note a name of a control or an output (the last of the keys) that rules and marks could not bear."""
    name = keys[-1]
    found = f"the name '{name}'"
    if not _NAME.fullmatch(name):
        better = _NO_NAME.sub("_", name).strip("_")
        mistakes.add(keys, "a name of letters, digits, _ and -", found, close=(better,) if better else ())
    elif name.lower() in KEYWORDS:
        mistakes.add(keys, "another name, since rules use 'and', 'or' and 'not'", found)
    elif name.lower() == REST:
        mistakes.add(keys, f"another name, since the mark '{REST}' says that nothing was touched", found)


# Signals and conditions of a plan, looked up in its databases.


_PATH = "a signal of the databases, MESSAGE.SIGNAL"
_ROUNDING = 1e-6
"""How far, in raw steps, a written number may lie from what the bits show: it was rounded."""


class Signals:
    """Looks signals up, and notes what cannot be found.

    Parameters
    ----------
    database
        All databases of the plan as one; None if they could not be read, then nothing is looked up.
    mistakes
        Takes what cannot be found.
    """

    def __init__(self, database: Database | None, mistakes: Mistakes) -> None:
        self.database = database
        self.mistakes = mistakes

    def reference(self, keys: Keys, path: str | None) -> SignalReference | None:
        """Return the signal of a path; None if there is no path, or no such signal (then it is noted)."""
        if path is None or self.database is None or keys in self.mistakes:
            return None
        found = self.database.find(path)
        if found is None:
            self._note_missing(keys, path, self.database)
            return None
        return SignalReference(path, *found)

    def condition(self, keys: Keys, path: str | None, shape: ConditionShape) -> Condition | None:
        """Return when the signal of a path counts as on.

        Parameters
        ----------
        keys
            The key that holds the path; ``on``, ``above`` and the others stand beside it.
        path
            MESSAGE.SIGNAL.
        shape
            The table with ``on`` (numbers are scaled values, as the database shows them; texts are entries of
            the value table), ``above``, ``below`` (scaled values) and ``unknown`` (raw values).
        """
        table = keys[:-1]
        given = [name for name in ("on", "above", "below") if getattr(shape, name) is not None]
        if len(given) > 1:
            self.mistakes.add((*table, given[1]), "only one of on, above and below", " and ".join(given))
        reference = self.reference(keys, path)
        if reference is None:
            return None
        definition = reference.definition
        values: list[float] = []
        raw: list[int] = []
        for entry in _listed(shape.on):
            if isinstance(entry, str):
                raw += self._raw_of_text((*table, "on"), entry, definition)
            else:
                values += self._scaled((*table, "on"), entry, definition)
        self._check_limits(table, shape, definition)
        self._check_hysteresis(table, shape)
        for number in shape.unknown:
            self._check_raw((*table, "unknown"), number, definition)
        return Condition(
            reference,
            on_values=tuple(values),
            on_raw=tuple(raw),
            above=shape.above,
            below=shape.below,
            off_below=shape.off_below,
            off_above=shape.off_above,
            unknown=(
                *shape.unknown,
                *_named_invalid(definition, {*raw, *shape.unknown}, values, of_output=keys[0] == "outputs"),
            ),
        )

    def _raw_of_text(self, keys: Keys, text: str, definition: SignalDefinition) -> list[int]:
        """Return the raw values that bear a text in the value table."""
        raw = [number for number, entry in definition.table.items() if entry == text]
        if not raw and definition.table:
            texts = tuple(definition.table.values())
            expected = f"a text of the value table of '{definition.name}'"
            self.mistakes.add(keys, expected, shown(text), close=close_names(text, texts) or texts[:3])
        elif not raw:
            expected = f"a number, since '{definition.name}' has no value table"
            self.mistakes.add(keys, expected, shown(text))
        return raw

    def _scaled(self, keys: Keys, value: float, definition: SignalDefinition) -> list[float]:
        """Return the scaled value as decoding will give it, so that the two compare as equal."""
        if definition.is_float or not definition.scale:
            return [value]
        low, high = _raw_range(definition)
        place = (value - definition.offset) / definition.scale
        raw = round(min(max(place, low), high))
        if not math.isclose(place, raw, rel_tol=_ROUNDING, abs_tol=_ROUNDING):
            ends = _scaled_range(definition)
            expected = f"a value that '{definition.name}' can show"
            step = f"{ends[0]:g} to {ends[1]:g} in steps of {abs(definition.scale):g}"
            self.mistakes.add(keys, f"{expected}: {step}", f"{value:g}")
        return [float(raw * definition.scale + definition.offset)]

    def _check_limits(self, table: Keys, shape: ConditionShape, definition: SignalDefinition) -> None:
        """Note a limit that the signal's bits can never pass."""
        if definition.is_float or not definition.scale:
            return
        low, high = _scaled_range(definition)
        if shape.above is not None and shape.above >= high:
            expected = f"a number below {high:g}, the most that '{definition.name}' can show"
            self.mistakes.add((*table, "above"), expected, f"{shape.above:g}")
        if shape.below is not None and shape.below <= low:
            expected = f"a number above {low:g}, the least that '{definition.name}' can show"
            self.mistakes.add((*table, "below"), expected, f"{shape.below:g}")

    def _check_hysteresis(self, table: Keys, shape: ConditionShape) -> None:
        """Note a value to go off at that stands alone, or on the wrong side of the one to come on at."""
        for key, beside, limit, back in (
            ("off_below", "above", shape.above, shape.off_below),
            ("off_above", "below", shape.below, shape.off_above),
        ):
            if back is None or (*table, beside) in self.mistakes:
                continue
            if limit is None:
                self.mistakes.add((*table, key), f"the key {beside} beside it", f"{key} without it")
            elif (back > limit) if beside == "above" else (back < limit):
                side = "most" if beside == "above" else "least"
                self.mistakes.add((*table, key), f"at {side} what {beside} says ({limit:g})", f"{back:g}")

    def _check_raw(self, keys: Keys, number: int, definition: SignalDefinition) -> None:
        """Note a raw value that the signal's bits cannot hold."""
        low, high = _raw_range(definition)
        if not definition.is_float and not low <= number <= high:
            self.mistakes.add(keys, f"raw values of '{definition.name}', {low} to {high}", shown(number))

    def _note_missing(self, keys: Keys, path: str, database: Database) -> None:
        """Note a path that leads to no signal: the message, the signal, or both may be misspelt."""
        message_name, dot, signal_name = path.partition(".")
        message = database.message(message_name)
        everywhere = {
            f"{other.name}.{signal.name}": signal.name for other in database.messages for signal in other.signals
        }
        if message is not None and dot:
            found = f"'{path}' (message '{message_name}' has no signal '{signal_name}')"
            names = close_names(signal_name, (signal.name for signal in message.signals))
            close = [f"{message_name}.{name}" for name in names]
        elif dot:
            found = f"'{path}' (there is no message '{message_name}')"
            close = []
        else:
            found = f"'{path}', without a dot"
            close = [f"{path}.{signal.name}" for signal in message.signals] if message else []
            signal_name = path
        close += [candidate for candidate, name in everywhere.items() if name.lower() == signal_name.lower()]
        close += close_names(path, everywhere)
        self.mistakes.add(keys, _PATH, found, close=list(dict.fromkeys(close))[:3])


FAULT_WORDS = re.compile(r"fault|error", re.IGNORECASE)
FEWEST_SAYING = 2
"""A signal has at least these two values that say something, whatever they are called."""


def _named_invalid(
    definition: SignalDefinition, listed: set[int], values: Sequence[float], *, of_output: bool
) -> list[int]:
    """Return the raw values that the value table calls invalid and a plan says nothing of: they are unknown.

    A table all of whose entries sound so, "no fault" and "fault", is one of faults: there they say what they say; and
    an output in fault is off.
    """
    if len(definition.table) - len(definition.named_invalid) < FEWEST_SAYING:
        return []
    named = definition.named_invalid - listed
    if of_output:
        named -= {raw for raw in named if FAULT_WORDS.search(str(definition.table[raw]))}
    return sorted(raw for raw in named if raw * definition.scale + definition.offset not in values)


def _listed(on: float | str | Sequence[float | str] | None) -> Sequence[float | str]:
    """Return the values that mean on as a list."""
    if on is None:
        return ()
    return (on,) if isinstance(on, str | float) else on


def _raw_range(definition: SignalDefinition) -> tuple[int, int]:
    """Return the least and the greatest raw value that the bits can hold."""
    if definition.is_signed:
        return -(2 ** (definition.length - 1)), 2 ** (definition.length - 1) - 1
    return 0, 2**definition.length - 1


def _scaled_range(definition: SignalDefinition) -> tuple[float, float]:
    """Return the least and the greatest value that the bits can show."""
    ends = sorted(raw * definition.scale + definition.offset for raw in _raw_range(definition))
    return ends[0], ends[1]
