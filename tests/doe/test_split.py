"""Shared work: the same whoever does it, in order, on one thread, with streams of its own."""

import os
import pickle
from types import MappingProxyType

import joblib
import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from doe import Study
from doe.split import shared_out, split


def drawn(item, stream):
    return item, np.random.default_rng(stream).random(3).tolist()


def blas_threads(_):
    np.ones((2, 2)) @ np.ones((2, 2))
    return os.getpid(), [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


def shares_further(_):
    return shared_out()


def refuses(item):
    raise ValueError(f"no {item}")


def test_the_same_from_one_process_and_from_two():
    here = split(drawn, list("abcdefg"), seed=5)
    with joblib.parallel_config(n_jobs=2):
        there = split(drawn, list("abcdefg"), seed=5)
    assert here == there
    assert [item for item, _ in here] == list("abcdefg")
    assert len({tuple(numbers) for _, numbers in here}) == 7
    # The streams are those of numpy's own spawning.
    first = np.random.default_rng(np.random.SeedSequence(5).spawn(7)[0]).random(3).tolist()
    assert here[0][1] == first


def test_other_processes_do_it_on_one_thread_each():
    with joblib.parallel_config(n_jobs=2), threadpool_limits(2):
        told = split(blas_threads, range(6))
    assert os.getpid() not in {process for process, _ in told}
    assert all(threads == [1] * len(threads) for _, threads in told)


def test_a_part_does_not_share_out_again():
    with joblib.parallel_config(n_jobs=2):
        assert shared_out()
        assert split(shares_further, range(3)) == [False] * 3
    assert not shared_out()


@pytest.mark.parametrize("workers", [1, 2])
def test_what_a_part_raises_is_raised_here(workers):
    with joblib.parallel_config(n_jobs=workers), pytest.raises(ValueError, match="no x"):
        split(refuses, ["x", "x"])


def test_records_can_go_to_another_process():
    study = Study.from_dict(
        {
            "study": {"name": "sent"},
            "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.2, "high": 1}],
            "response": [{"name": "Y", "method": "m", "aim": "watch"}],
        }
    )
    back = pickle.loads(pickle.dumps(study))
    assert back.digests == study.digests
    assert back.region.reach == study.region.reach
    assert pickle.loads(pickle.dumps(MappingProxyType({"a": 1}))) == {"a": 1}


def test_who_waits_is_told_how_many_are_done():
    told = []
    assert split(len, ["a", "bc", ""], done=told.append) == [1, 2, 0]
    assert told == [1, 2, 3]
