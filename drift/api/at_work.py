"""This module lets processes work side by side, and hands out what they did in order."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from typing import Protocol, TypeVar

from drift.errors import DriftError
from drift.threads import cores, interrupts_kept_off, keep_frames_on_one_thread

Asked = TypeVar("Asked")
Done = TypeVar("Done")

# Pieces of work that a process has before it, so that it need not wait for the next.
_BEFORE_IT = 2


class Do(Protocol):
    """Does pieces of work and yields what they gave, in order."""

    def __call__(self, work: Callable[[Asked], Done], pieces: Sequence[Asked]) -> Iterator[Done]:
        """Do `work`, a function of a module, with each of `pieces`."""
        ...


@contextmanager
def side_by_side(pieces: int) -> Iterator[Do]:
    """Give what does work in this process and others, which are stopped at once where it is.

    Parameters
    ----------
    pieces : int
        Pieces of work there are: none are given for a single one.
    """
    others = min(cores(), pieces) - 1
    before = set(multiprocessing.active_children())
    # Spawned: a fork of a process whose data library holds threads may hang.
    context = multiprocessing.get_context("spawn")
    pools = [
        ProcessPoolExecutor(1, mp_context=context, initializer=keep_frames_on_one_thread)
        for _ in range(others)
    ]
    try:
        with interrupts_kept_off():
            for pool in pools:
                pool.submit(_nothing)
        yield partial(worked, beside=pools)
    except BaseException:
        for child in set(multiprocessing.active_children()) - before:
            child.kill()
        raise
    finally:
        for pool in pools:
            pool.shutdown(cancel_futures=True)


def _nothing() -> None:
    """Begin a process."""


def worked(
    work: Callable[[Asked], Done],
    pieces: Sequence[Asked],
    *,
    beside: Sequence[ProcessPoolExecutor] = (),
) -> Iterator[Done]:
    """Do pieces of work, in this process and those beside it, and yield what they gave, in order.

    Parameters
    ----------
    work : callable
        Of a module, so that another process can do it.
    pieces : sequence
        What it is called with.
    beside : sequence of ProcessPoolExecutor
        From `side_by_side`.

    Raises
    ------
    DriftError
        If a process died.
    """
    left = list(reversed(range(len(pieces))))
    begun: dict[Future[Done], int] = {}
    load = dict.fromkeys(range(len(beside)), 0)
    owner: dict[Future[Done], int] = {}
    done: dict[int, Done] = {}
    for place in range(len(pieces)):
        while place not in done:
            for future in [one for one in begun if one.done()]:
                load[owner.pop(future)] -= 1
                done[begun.pop(future)] = _result(future)
            for at, pool in enumerate(beside):
                while left and load[at] < _BEFORE_IT:
                    number = left.pop()
                    future = pool.submit(work, pieces[number])
                    begun[future], owner[future] = number, at
                    load[at] += 1
            if place in done:
                break
            if left:
                number = left.pop()
                done[number] = work(pieces[number])
            else:
                wait(begun, return_when=FIRST_COMPLETED)
        yield done.pop(place)


def _result(future: Future[Done]) -> Done:
    """Return what a process gave."""
    try:
        return future.result()
    except BrokenProcessPool as error:
        raise DriftError(
            what="stopped: a process that helped was ended by the system",
            where="the review",
            expected="enough memory",
            hint="run it again with fewer other programs open",
        ) from error
