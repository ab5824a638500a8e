"""Work on several cores: a function over many tasks, results in order, few in hand at once."""

import ctypes
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from platecover.coverage.errors import PlatecoverError

Task = TypeVar("Task")
Result = TypeVar("Result")

_IN_HAND = 2  # tasks a process, so that none waits for its next
_DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG of Linux's <linux/prctl.h>


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1


def in_order(
    work: Callable[[Task], Result], tasks: Iterable[Task], processes: int
) -> Iterator[Result]:
    """Yield the results of `work` on each task, in the order of the tasks.

    Parameters
    ----------
    work : callable
        Of a module, so that another process finds it.
    tasks : iterable
        Drawn from only as fast as they are worked on; results may wait for earlier ones.
    processes : int
        With 1 all is done in this one. So it is where other threads run, since a process
        forked from among threads may wait for ever for what they held.
    """
    if processes < 2 or threading.active_count() > 1 or sys.platform != "linux":
        yield from map(work, tasks)
        return
    context = multiprocessing.get_context("fork")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # no thread of Python's is running
        pool = ProcessPoolExecutor(processes, context, initializer=_start)
        results: deque[Future[Result]] = deque()
        try:
            under_way: set[Future[Result]] = set()
            for task in tasks:
                results.append(pool.submit(work, task))
                under_way.add(results[-1])
                if len(under_way) > _IN_HAND * processes:  # a long one holds up no others
                    under_way = wait(under_way, return_when=FIRST_COMPLETED).not_done
                while results and results[0].done():
                    yield results.popleft().result()
            while results:
                yield results.popleft().result()
        except BrokenProcessPool:
            raise PlatecoverError(
                "a process at work was killed from outside, perhaps for want of memory; nothing"
                " was changed: try again, with less else running"
            ) from None
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _start() -> None:
    """Leave Ctrl-C to the parent, and end when it ends, however that comes about."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
