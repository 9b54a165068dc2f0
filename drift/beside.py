"""This module lets threads and processes work beside each other, stopped where a block fails."""

import ctypes
import multiprocessing
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from typing import ParamSpec, Protocol, TypeVar
from weakref import WeakSet

from drift.errors import DriftError
from drift.memory import collect_seldom
from drift.threads import interrupts_kept_off, keep_frames_on_one_thread

Given = ParamSpec("Given")
Done = TypeVar("Done")


class Aside(Protocol):
    """Hands work to what works beside, as the `submit` of every executor."""

    def __call__(
        self, work: Callable[Given, Done], /, *given: Given.args, **named: Given.kwargs
    ) -> Future[Done]:
        """Begin `work`, a function of a module, so that another process can do it."""
        ...


@dataclass(frozen=True, slots=True)
class Help:
    """Who helps with a long piece of work.

    Attributes
    ----------
    aside : callable or None
        Hands a part of it to another process; None where a thread of this one is to do it.
    meanwhile : callable
        What a thread of this process does at the start, such as to load what is needed later.
    over : callable
        Called once nothing more will be handed aside.
    waits : bool
        Whether this process has time while others work: it does then what pages will ask for.
    """

    aside: Aside | None = None
    meanwhile: Callable[[], object] = lambda: None
    over: Callable[[], object] = lambda: None
    waits: bool = False


class Threads(ThreadPoolExecutor):
    """Threads that are stopped where the block in which they work is left by an error.

    Others are waited for, which takes minutes where the keyboard has interrupted a large fleet.
    These are interrupted too, and those that they started in their turn: each ends with what it is
    at in a library, such as one product of matrices.

    Parameters
    ----------
    count : int
        How many, at least 1.
    """

    def __init__(self, count: int) -> None:
        super().__init__(count)
        self.maker = threading.get_ident()
        self._working: set[int] = set()
        self._guard = threading.RLock()
        with _LISTED:
            _LIVE.add(self)

    def submit(
        self, work: Callable[Given, Done], /, *given: Given.args, **named: Given.kwargs
    ) -> Future[Done]:
        """Let a thread do some work; as of every executor."""

        def watched() -> Done:
            me = threading.get_ident()
            with self._guard:
                self._working.add(me)
            try:
                return work(*given, **named)
            finally:
                with self._guard:
                    self._working.discard(me)

        return super().submit(watched)

    def __exit__(self, *error: object) -> None:
        """Wait for what was begun, or stop it."""
        try:
            if error[0] is None:
                self.shutdown()
        except BaseException:
            self.stop()
            raise
        if error[0] is not None:
            self.stop()

    def stop(self) -> None:
        """Interrupt what is at work here, and drop what waits."""
        self.shutdown(wait=False, cancel_futures=True)
        with self._guard:
            working = set(self._working)
            for ident in working:
                ctypes.pythonapi.PyThreadState_SetAsyncExc(
                    ctypes.c_ulong(ident), ctypes.py_object(KeyboardInterrupt)
                )
        with _LISTED:
            started = [pool for pool in _LIVE if pool.maker in working]
        for pool in started:
            pool.stop()


_LISTED = threading.Lock()
_LIVE: WeakSet[Threads] = WeakSet()


def _begin() -> None:
    """Begin a process that helps, before it loads anything."""
    collect_seldom()
    keep_frames_on_one_thread()


@contextmanager
def processes(
    count: int, *, ready: Callable[[], object]
) -> Iterator[tuple[ProcessPoolExecutor, ...]]:
    """Give processes that begin at once, and are stopped at once where their block fails.

    Each is a pool of its own, so that work can be handed to one of them.

    Parameters
    ----------
    count : int
        How many, 0 or more.
    ready : callable
        What each does first, a function of a module: such as to load what it will need.

    Raises
    ------
    DriftError
        If one was ended from outside.
    """
    before = set(multiprocessing.active_children())
    # Spawned: a fork of a process whose data library holds threads may hang.
    context = multiprocessing.get_context("spawn")
    pools = tuple(
        ProcessPoolExecutor(1, mp_context=context, initializer=_begin) for _ in range(count)
    )
    try:
        with interrupts_kept_off():
            for pool in pools:
                pool.submit(ready)
        yield pools
    except BaseException as error:
        for child in set(multiprocessing.active_children()) - before:
            child.kill()
        if isinstance(error, BrokenProcessPool):
            raise DriftError(
                what="stopped: a process that helped was ended by the system",
                where="the review",
                expected="enough memory",
                hint="run it again with fewer other programs open",
            ) from error
        raise
    finally:
        for pool in pools:
            pool.shutdown(cancel_futures=True)
