"""Working memory: kept between calls, grown when needed, never shared between threads."""

import threading

import numpy as np
from rungwise.basis.scratch import Scratch


def test_memory_is_kept_and_grown():
    scratch = Scratch()
    first = scratch.array("a", (4, 2), np.int32)
    first[:] = 7
    assert np.shares_memory(first, scratch.array("a", (3,), np.float64))
    assert scratch.array("a", (100, 100), np.int8).shape == (100, 100)
    assert not np.shares_memory(scratch.array("a", (2,), np.int8), scratch.array("b", (2,), np.int8))


def test_threads_have_their_own():
    scratch = Scratch()
    found = {}

    def work(name):
        mine = scratch.array("a", (1000,), np.int64)
        mine[:] = name
        barrier.wait()
        found[name] = mine.copy()

    barrier = threading.Barrier(2)
    threads = [threading.Thread(target=work, args=(name,)) for name in (1, 2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert set(found[1].tolist()) == {1}
    assert set(found[2].tolist()) == {2}
