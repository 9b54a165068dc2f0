"""This module lets the keyboard stop a query that other threads of the database are working at."""

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_LET_GO = b"\0"


@contextmanager
def queries_end_by_keyboard() -> Iterator[None]:
    """End the queries of open stores as soon as the keyboard interrupts.

    Python acts on a signal in its main thread alone, once the call that this thread is in returns.
    A query returns when its last thread is done with its share, which may take minutes; the
    database, asked from another thread, lets go of all shares at once.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    told, tell = socket.socketpair()
    tell.setblocking(False)  # as the signal's own hook asks
    before = signal.set_wakeup_fd(tell.fileno(), warn_on_full_buffer=False)
    watch = threading.Thread(target=_watch, args=(told,), daemon=True)
    watch.start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(before)
        tell.send(_LET_GO)
        watch.join()
        told.close()
        tell.close()


def _watch(told: socket.socket) -> None:
    """Wait for signals; on an interruption, end what the database is at."""
    while (number := told.recv(1)) != _LET_GO:
        if number == bytes([signal.SIGINT]):
            # Loaded by whatever opened a store; no command waits for it at its start.
            from drift.store.connection import end_queries  # noqa: PLC0415

            end_queries()
