"""The tasks of a batch on all cores of this machine. A worker that dies takes no more than its own task with it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from evenstring.workshop.batch.row import Row, failed
from evenstring.workshop.batch.task import Task, perform

__all__ = ["DIED", "cores", "run_here"]

DIED = "the process that worked on it died twice: out of memory, or a fault; try it alone with `evenstring report`"
_MOST = 61  # processes that Windows lets one wait for: published (Python, concurrent.futures)


def cores() -> int:
    """Processors that this process may use."""
    known = getattr(os, "sched_getaffinity", None)
    return min(len(known(0)) if known else os.cpu_count() or 1, _MOST)


def run_here(tasks: Sequence[Task], workers: int, work: Callable[[Task], Row] = perform) -> Iterator[Row]:
    """Rows as they are done, in any order.

    No more tasks are handed out than there are workers: when one dies, a pool stops and does not say which task it was,
    so all that were under way are done again, each alone. The one that kills its worker again is told apart.
    """
    left = deque(tasks)
    while left:
        suspects: list[Task] = []
        yield from _together(left, min(workers, len(left)), work, suspects)
        for task in suspects:
            yield _alone(task, work)


def _together(left: deque[Task], workers: int, work: Callable[[Task], Row], suspects: list[Task]) -> Iterator[Row]:
    """Takes from `left` until nothing is left, or a worker died: what was under way then is in `suspects`."""
    running: dict[Future[Row], Task] = {}
    with _pool(workers) as pool:
        while running or (left and not suspects):
            while left and not suspects and len(running) < workers:
                task = left.popleft()
                try:
                    running[pool.submit(work, task)] = task
                except BrokenProcessPool:
                    suspects.append(task)
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                task = running.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    suspects.append(task)
                else:
                    yield future.result()


def _alone(task: Task, work: Callable[[Task], Row]) -> Row:
    with _pool(1) as pool:
        try:
            return pool.submit(work, task).result()
        except BrokenProcessPool:
            return failed(task.name, DIED)


def _pool(workers: int) -> ProcessPoolExecutor:
    """Started afresh, not forked: the progress has a thread of its own, and a fork with threads may stand still."""
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), initializer=_begin)


def _begin() -> None:
    """In a worker: Ctrl-C is for the batch to answer; and when the batch is killed, no worker stays behind."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.join,), daemon=True).start()


def _end_with(parent_ended: Callable[[], None]) -> None:
    parent_ended()
    os._exit(1)
