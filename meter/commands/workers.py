"""Work spread over processes, which end at once when nobody waits for it any more."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager


@contextmanager
def worker_pool(most: int | None = None) -> Iterator[ProcessPoolExecutor]:
    """A pool of at most so many fresh processes; leaving it by an exception stops what they are doing."""
    pool = ProcessPoolExecutor(most, mp_context=multiprocessing.get_context("spawn"))
    try:
        yield pool
    except BaseException:
        # The library would finish what was begun first: many seconds after a Ctrl-C.
        pool.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    pool.shutdown()
