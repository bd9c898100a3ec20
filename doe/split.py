"""Work that falls into parts, shared out among processes or a cluster by joblib.

Where the parts are done is the caller's choice: `joblib.parallel_config(n_jobs=4)` around any public call takes four
processes of this machine, with the backend `dask` a cluster. Without such a choice they are done here, one by one. What
comes back is the same to the byte: parts come back in their order, each has a random stream of its own, spawned from
one seed, and linear algebra runs on one thread wherever a part is done.
"""

from __future__ import annotations

import copyreg
import os
import sys
from collections.abc import Callable, Sequence
from contextvars import ContextVar
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
from threadpoolctl import threadpool_limits

T = TypeVar("T")
R = TypeVar("R")


def _read_only(kept: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(kept)


# Records keep their mappings read-only, and only what can be pickled can go to another process.
copyreg.pickle(MappingProxyType, lambda kept: (_read_only, (dict(kept),)))

# A part does its own parts itself: who shares work out is the outermost call.
_in_a_part: ContextVar[bool] = ContextVar("in_a_part", default=False)


def split(
    task: Callable[..., R], items: Sequence[T], *, seed: int | None = None, done: Callable[[int], None] | None = None
) -> list[R]:
    """`task(item)` for every item, in order; with `seed`, `task(item, stream)` with a `SeedSequence` of its own.

    Done by whatever `joblib.parallel_config` is in force. A task has to be a function of a module, or a partial of one,
    and its items such as can be pickled. What a task raises is raised here. `done` is told how many are done after each
    of them, where they are not shared out.
    """
    streams: list[tuple[Any, ...]] = [()] * len(items)
    if seed is not None:
        streams = [(stream,) for stream in np.random.SeedSequence(seed).spawn(len(items))]
    calls = list(zip(items, streams, strict=True))
    if len(calls) < 2 or not shared_out():
        out = []
        with threadpool_limits(1):
            for item, stream in calls:
                out.append(task(item, *stream))
                if done is not None:
                    done(len(out))
        return out
    from joblib import Parallel, delayed

    home = os.getpid()
    shared = Parallel(pre_dispatch="all", max_nbytes=None)
    return list(shared(delayed(_part)(home, task, item, stream) for item, stream in calls))


def shared_out() -> bool:
    """Whether a caller has asked joblib for more than one worker, and this is not a part of shared work itself."""
    # Where joblib is not loaded, nobody can have asked it for anything.
    if _in_a_part.get() or "joblib" not in sys.modules:
        return False
    from joblib import effective_n_jobs

    return int(effective_n_jobs(None)) > 1


def _part(home: int, task: Callable[..., R], item: Any, stream: tuple[Any, ...]) -> R:
    if os.getpid() != home:
        # For good: of two threads of one process, the first to end must not give the other more threads.
        threadpool_limits(1)
    token = _in_a_part.set(True)
    try:
        with threadpool_limits(1):
            return task(item, *stream)
    finally:
        _in_a_part.reset(token)
