"""Threads that work beside each other end with the block that began them."""

import threading
from collections.abc import Callable
from time import perf_counter

import pytest

from drift.beside import Threads

# Far more than any machine needs to stop; the work itself would take this many seconds a piece.
LONG_S = 60.0


def spin(begun: threading.Event) -> None:
    """Work in Python for a minute."""
    begun.set()
    end = perf_counter() + LONG_S
    while perf_counter() < end:
        sum(range(1000))


def spin_in_another(begun: threading.Event) -> None:
    """Wait for a thread of one's own that works for a minute."""
    with Threads(1) as pool:
        pool.submit(spin, begun).result()


@pytest.mark.parametrize("work", [spin, spin_in_another])
def test_what_is_at_work_stops_where_the_block_fails(
    work: Callable[[threading.Event], None],
) -> None:
    """Its threads end soon after, and those that they started; the error is the block's own."""
    begun, waited_for = threading.Event(), threading.Event()
    before = set(threading.enumerate())

    def fail() -> None:
        with Threads(1) as pool:
            pool.submit(work, begun)
            pool.submit(spin, waited_for)
            begun.wait(LONG_S)
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        fail()
    for thread in set(threading.enumerate()) - before:
        thread.join(LONG_S / 2)
        assert not thread.is_alive()
    assert not waited_for.is_set()


def test_a_block_that_ends_waits_and_gives_what_was_done() -> None:
    """As every executor: all is done, in order, and an error of the work is the caller's."""
    with Threads(2) as pool:
        assert list(pool.map(abs, (-1, 2, -3))) == [1, 2, 3]
        failed = pool.submit(int, "x")
    with pytest.raises(ValueError, match="invalid literal"):
        failed.result()
