"""This module lets processes work side by side, and hands out what they did in order."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from typing import Protocol, TypeVar

from drift.beside import Done, Given, processes
from drift.memory import keep_one_heap
from drift.places import bytes_on_disk
from drift.threads import cores

Asked = TypeVar("Asked")

# Bytes of CSV files, and of a store, below which a review is worked out sooner than another process
# has loaded what it needs: some eight meters.
_WORTH_A_PROCESS, _STORE_WORTH_IT = 100_000, 4_000_000
# Pieces of work that a process has before it, so that it need not wait for the next.
_BEFORE_IT = 2


class Do(Protocol):
    """Does pieces of work and yields what they gave, in order."""

    def __call__(self, work: Callable[[Asked], Done], pieces: Sequence[Asked]) -> Iterator[Done]:
        """Do `work`, a function of a module, with each of `pieces`."""
        ...


def helpers_for(
    source: Path, *, with_pages: bool
) -> AbstractContextManager[tuple[ProcessPoolExecutor, ...]]:
    """Give processes that help with the review of a source, begun while it is still being read.

    The first forecasts, and all write pages.  None are given where there is no other core, or so
    little on record that loading takes longer.

    Parameters
    ----------
    source : Path
        Folder of CSV files, or store file.
    with_pages : bool
        Whether pages are to be written.
    """
    many = bytes_on_disk(source) // (_WORTH_A_PROCESS if source.is_dir() else _STORE_WORTH_IT)
    most = cores() - 1 if with_pages else min(cores() - 1, 1)
    return processes(min(most, many), ready=_load_forecaster)


def _load_forecaster() -> None:
    """Load what forecasting needs."""
    from drift.review import forecasts  # noqa: F401, PLC0415


def elsewhere(work: Callable[Given, Done], /, *given: Given.args, **named: Given.kwargs) -> Done:
    """Do some work, of a module, in a process of its own, which gives all of its memory back."""
    with processes(1, ready=keep_one_heap) as (pool,):
        return pool.submit(work, *given, **named).result()


@contextmanager
def side_by_side(pieces: int) -> Iterator[Do]:
    """Give what does work in this process and others, which are stopped at once where it is.

    Parameters
    ----------
    pieces : int
        Pieces of work there are: none are given for a single one.
    """
    with processes(min(cores(), pieces) - 1, ready=keep_one_heap) as pools:
        yield partial(worked, beside=pools)


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
                done[begun.pop(future)] = future.result()
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
