"""Side by side: work that shares nothing, done at the same time where that pays."""

from __future__ import annotations

from concurrent.futures import Executor, Future, ThreadPoolExecutor
from typing import TYPE_CHECKING, ParamSpec, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

LONG = 300_000
"""Frames from which on threads pay: on fewer the calls are so short that handing the interpreter over costs more."""
THREADS = 1
"""Beside the main one. A second was no faster on two cores, and what both hold at a time adds up."""

_Arguments = ParamSpec("_Arguments")
_Result = TypeVar("_Result")


def workers(frames: int) -> Executor:
    """Return who does the work beside the main thread, for a recording of so many frames."""
    return ThreadPoolExecutor(THREADS) if frames >= LONG else _AtOnce()


class _AtOnce(Executor):
    """Does what it is given before it returns."""

    def submit(
        self, fn: Callable[_Arguments, _Result], /, *args: _Arguments.args, **kwargs: _Arguments.kwargs
    ) -> Future[_Result]:
        """Call the function; its result is there already, and what it raises is raised here."""
        done: Future[_Result] = Future()
        done.set_result(fn(*args, **kwargs))
        return done
