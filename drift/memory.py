"""This module says how this process takes memory, and how it gives it back."""

import atexit
import ctypes
import gc
from contextlib import suppress

# The number of this choice (`M_ARENA_MAX` of malloc.h) in the GNU C library.
_MOST_HEAPS = -8
# New objects, and collections of those of each age, after which Python looks for cycles.
_COLLECTED_AFTER = (10_000, 10, 10)


def collect_seldom() -> None:
    """Let this process, which ends with its task, look for unused objects seldom, not at its end.

    It goes through all that libraries hold, and finds nothing: half a second while the sample is
    reviewed, and another half at the end.
    """
    gc.set_threshold(*_COLLECTED_AFTER)
    atexit.register(gc.freeze)


def keep_one_heap() -> None:
    """Let all threads of this process take their memory from one place, where the system can.

    The GNU C library gives each thread a place of its own, and what one lets go of no other can
    use (measured: a third of the peak of a fleet worked out in parts).  Places that threads have
    already stay theirs.
    """
    # Other systems have no such function, or none of one name.
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).mallopt(_MOST_HEAPS, 1)


def give_memory_back() -> None:
    """Return to the system what this process has let go of, where its C library can.

    What is taken and let go in pieces of all sizes leaves gaps, which the GNU C library keeps, and
    which grow with each part of a fleet that is worked out.
    """
    # Other systems have no such function, or none of one name.
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
