"""This module says how many cores there are, and keeps linear algebra on one thread each."""

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_VARIABLES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


def keep_one_thread() -> None:
    """Let linear algebra use one thread, unless the caller's environment says otherwise.

    The matrices here are small and many.  On several threads each product waits for the slowest
    core (measured: 40 times the processor time on two busy cores).  It must be called before any
    numeric library is loaded; later it changes nothing in this process.
    """
    for variable in _VARIABLES:
        os.environ.setdefault(variable, "1")


def keep_frames_on_one_thread() -> None:
    """Let the library of frames use one thread in this process, which is one of a process a core.

    The frames of one meter are small, and to share their rows out takes longer than to go through
    them (measured: a fourth of the processor time of a dossier).  It must be called before the
    first frame is made; later it changes nothing.
    """
    os.environ["POLARS_MAX_THREADS"] = "1"


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


@contextmanager
def interrupts_kept_off() -> Iterator[None]:
    """Let processes that start within be deaf to the keyboard.

    It interrupts them too, in the midst of loading, and each would tell of it; this process stops
    them.  A handler can be set in the main thread alone, which is where a keyboard interrupts.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
