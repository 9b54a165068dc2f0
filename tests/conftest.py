"""What every test rests on: one thread for linear algebra, and a keyboard that interrupts."""

import os
import signal

import pytest

import drift.cli  # noqa: F401  # sets the threads, as the command line does, before numpy is loaded
from tests.sample_reviews import SampleReviews, reviews_kept_in

# A shell that starts the tests in its background lets interrupts be ignored, by children too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def sample_on(tmp_path_factory: pytest.TempPathFactory) -> SampleReviews:
    """Give the review of the sample on a date, worked out once for all workers."""
    base = tmp_path_factory.getbasetemp()
    return reviews_kept_in(base.parent if "PYTEST_XDIST_WORKER" in os.environ else base)
