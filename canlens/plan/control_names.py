"""Names of controls and outputs, and the rules over them, as a plan writes them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from canlens.errors import RuleError
from canlens.plan.mistakes import Keys, Mistakes, close_names
from canlens.plan.nouns import REST
from canlens.plan.rule import KEYWORDS, Rule, parse_rule

if TYPE_CHECKING:
    from collections.abc import Iterable

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
