"""Signals and conditions of a plan, looked up in its databases."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from canlens.plan.mistakes import Keys, Mistakes, close_names, shown
from canlens.plan.nouns import Condition, SignalReference

if TYPE_CHECKING:
    from collections.abc import Sequence

    from canlens.database import Database, SignalDefinition
    from canlens.plan.toml_shape import ConditionShape

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
        for number in shape.unknown:
            self._check_raw((*table, "unknown"), number, definition)
        return Condition(
            reference,
            on_values=tuple(values),
            on_raw=tuple(raw),
            above=shape.above,
            below=shape.below,
            unknown=shape.unknown,
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
