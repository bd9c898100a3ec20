"""Linear algebra is held to one thread while a public call runs, and given back afterwards."""

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import doe
import optimise
from doe.threads import one_thread


def _most() -> int:
    np.ones((2, 2)) @ np.ones((2, 2))
    return max((pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"), default=1)


def test_one_thread_inside_and_as_before_outside():
    with threadpool_limits(2):
        before = _most()
        assert one_thread(_most)() == 1
        assert _most() == before


def test_threads_are_given_back_after_an_error():
    @one_thread
    def failing() -> None:
        raise ValueError("no")

    with threadpool_limits(2):
        before = _most()
        with pytest.raises(ValueError, match="no"):
            failing()
        assert _most() == before


@pytest.mark.parametrize("call", [doe.plan, optimise.fit, optimise.find, optimise.next_trials])
def test_the_public_calls_are_held(call):
    assert call.__wrapped__.__name__ == call.__name__
