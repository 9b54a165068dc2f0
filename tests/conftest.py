"""What every test rests on: one thread for linear algebra, and a keyboard that interrupts.

Modules and libraries are kept compiled, whatever the environment says: each of the many processes
that tests start would compile them anew otherwise, which takes longer than what most of them do.
"""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest

import drift.cli  # noqa: F401  # sets the threads, as the command line does, before numpy is loaded
from tests.sample_reviews import (
    SampleReviews,
    analysed_once,
    proven_once,
    read_once,
    reviews_kept_in,
)

# They take longest, and begin first, so that no worker is left alone with one of them at the end.
LONGEST = (
    *("guide/test_guide_followed.py", "report/test_bench_browser.py", "report/test_page_kinds.py"),
    *("report/test_pages_browser.py", "report/test_stopped_runs.py", "store/test_journal.py"),
    *("review/test_clause_states.py", "api/test_face.py", "cli/test_record_slips.py"),
    *("report/test_dossier_browser.py", "store/test_store_files.py", "api/test_large_fleets.py"),
    *("review/test_agreements.py", "review/test_invariance.py", "store/test_fuzz.py"),
    *("review/test_year.py", "guide/test_help_examples.py", "review/test_told_numbers.py"),
)

sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# A shell that starts the tests in its background lets interrupts be ignored, by children too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest modules first, in their order; all others stay in theirs."""
    here = Path(__file__).parent
    places = {here / name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: places.get(item.path, len(places)))


@pytest.fixture(scope="session")
def shared_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the folder of this run that all its workers see."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(scope="session")
def sample_on(shared_folder: Path) -> SampleReviews:
    """Give the review of the sample on a date, worked out once for all workers."""
    return reviews_kept_in(shared_folder)


@pytest.fixture(scope="module", autouse=True)
def shared_analyses(shared_folder: Path) -> Iterator[None]:
    """Read and review once for all tests what commands read of the same files and rows.

    A module that tests how it is worked out has a fixture of this name that does nothing, a test
    of it works within `worked_out_anew`.
    """
    with read_once(shared_folder), analysed_once(shared_folder), proven_once(shared_folder):
        yield


@pytest.fixture(scope="session", autouse=True)
def one_core() -> Iterator[None]:
    """Review in the process of the test: one that helps spends seconds on loading libraries.

    A test of those that help says how many cores there are.
    """
    with mock.patch("drift.api.at_work.cores", return_value=1):
        yield
