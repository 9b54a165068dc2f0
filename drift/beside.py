"""This module lets threads work beside each other, and stops them where their block fails."""

import ctypes
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar
from weakref import WeakSet

_Given = ParamSpec("_Given")
_Done = TypeVar("_Done")


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
        self, work: Callable[_Given, _Done], /, *given: _Given.args, **named: _Given.kwargs
    ) -> Future[_Done]:
        """Let a thread do some work; as of every executor."""

        def watched() -> _Done:
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
