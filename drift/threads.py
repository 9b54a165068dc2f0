"""This module keeps linear algebra on one thread."""

import os

_VARIABLES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")


def keep_one_thread() -> None:
    """Let linear algebra use one thread, unless the caller's environment says otherwise.

    The matrices here are small and many.  On several threads each product waits for the slowest
    core (measured: 40 times the processor time on two busy cores).  It must be called before any
    numeric library is loaded; later it changes nothing in this process.
    """
    for variable in _VARIABLES:
        os.environ.setdefault(variable, "1")
