"""Runs a command of drift and stops it on the way: ``python -m tests.stopped_run HOW WHEN ROOT …``.

HOW and WHEN are one of

``write N``      killed at the Nth file below ROOT that is opened to write, renamed, made or removed
``size N``       killed when any file grows past N bytes
``time S``       killed after S seconds of the command
``full N``       no file may grow past N bytes, as on a disk that is full
``key N``        interrupted by the keyboard where ``write N`` would kill
``key_at S``     interrupted by the keyboard after S seconds
``none 0``       not stopped; the last line says how many writes there were, and the seconds
"""

import os
import resource
import signal
import sys
import threading
from time import perf_counter

from drift.cli import main

_CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.truncate"}
_writes = 0


def _is_write(event: str, given: tuple[object, ...], root: str) -> bool:
    path = given[0] if given else None
    if not isinstance(path, str | bytes | os.PathLike) or not os.fsdecode(path).startswith(root):
        return False
    if event in _CHANGES:
        return True
    return event == "open" and bool(int(str(given[2])) & (os.O_WRONLY | os.O_RDWR))


def _at_write(number: int, root: str, signal_number: int) -> None:
    def hook(event: str, given: tuple[object, ...]) -> None:
        global _writes  # noqa: PLW0603  # a hook keeps its count somewhere
        if _is_write(event, given, root):
            _writes += 1
            if _writes == number:
                os.kill(os.getpid(), signal_number)

    sys.addaudithook(hook)


def _stop(how: str, when: float, root: str) -> None:
    if how in {"write", "none"}:
        _at_write(int(when), root, signal.SIGKILL)
    elif how == "key":
        _at_write(int(when), root, signal.SIGINT)
    elif how == "key_at":
        timer = threading.Timer(when, os.kill, (os.getpid(), signal.SIGINT))
        timer.daemon = True
        timer.start()
    elif how == "time":
        # Without a handler its signal kills.
        signal.setitimer(signal.ITIMER_REAL, when)
    else:
        # Python is deaf to the signal of a file that grew too long; without that it kills.
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL if how == "size" else signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(when), resource.RLIM_INFINITY))


if __name__ == "__main__":
    how, when, root, *arguments = sys.argv[1:]
    sys.argv = ["drift", *arguments]
    _stop(how, float(when), root)
    start = perf_counter()
    try:
        main()
    finally:
        if how == "none":
            sys.stdout.write(f"{_writes} {perf_counter() - start:.3f}\n")
