"""Linear algebra on one thread, so that a last digit does not depend on how many cores a machine has."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

P = ParamSpec("P")
R = TypeVar("R")


def one_thread(call: Callable[P, R]) -> Callable[P, R]:
    """`call` with the libraries under numpy held to one thread while it runs, and as they were afterwards."""

    @wraps(call)
    def held(*args: P.args, **kwargs: P.kwargs) -> R:
        with threadpool_limits(1):
            return call(*args, **kwargs)

    return held
