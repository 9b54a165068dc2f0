"""Parts of a fleet done by the workers of a cluster, one of which dies."""

import os
from functools import partial
from pathlib import Path

import pytest

from drift.api.cluster import LOCAL, cluster_hands
from drift.errors import DriftError

# What the library leaves to be cleared away at the end of a process.
pytestmark = pytest.mark.filterwarnings("ignore")


def doubled(number: int, *, folder: Path) -> int:
    """Return twice a number; the worker that is given 3 first dies of it."""
    died = folder / "died"
    if number == 3 and not died.exists():
        died.touch()
        os._exit(1)
    return 2 * number


def test_a_worker_that_dies_is_replaced_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All pieces come back, in order."""
    monkeypatch.setattr("drift.api.cluster.cores", lambda: 1)
    with cluster_hands(LOCAL) as do:
        given = list(do(partial(doubled, folder=tmp_path), range(6)))
    assert given == [0, 2, 4, 6, 8, 10]
    assert (tmp_path / "died").exists()


def test_a_scheduler_that_is_not_there_is_told() -> None:
    """An address that nobody answers at is one sentence, not a traceback."""
    with pytest.raises(DriftError, match="does not answer"), cluster_hands("nonsense://nowhere"):
        pass
