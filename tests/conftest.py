"""What every test rests on: one thread for linear algebra, and a keyboard that interrupts.

Modules and libraries are kept compiled, whatever the environment says: each of the many processes
that tests start would compile them anew otherwise, which takes longer than what most of them do.
"""

import os
import signal
import sys

import pytest

import drift.cli  # noqa: F401  # sets the threads, as the command line does, before numpy is loaded
from tests.sample_reviews import SampleReviews, reviews_kept_in

sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A shell that starts the tests in its background lets interrupts be ignored, by children too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def sample_on(tmp_path_factory: pytest.TempPathFactory) -> SampleReviews:
    """Give the review of the sample on a date, worked out once for all workers."""
    base = tmp_path_factory.getbasetemp()
    return reviews_kept_in(base.parent if "PYTEST_XDIST_WORKER" in os.environ else base)
