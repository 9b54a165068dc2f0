"""A fleet worked out in parts is one fleet: no size of parts, no process and no order shows."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api import fleet_reviews, large_fleets
from drift.api.at_work import Do, worked
from drift.api.reviews import review_source
from drift.review import learn_laws
from drift.review.policy import read_policy
from tests.benchmarks.big_fleet import write_fleet

AS_OF = date(2026, 10, 1)
# Said of the whole fleet from all its visits, which a review in parts does not hold.
_OF_ALL_VISITS = {"evidence.csv"}


@contextmanager
def _alone(_pieces: int) -> Iterator[Do]:
    """Let this process do all."""
    yield worked


def _reviewed(
    source: Path,
    out: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    at_once: int,
    panel: int,
    parquet: bool = False,
    beside: bool = False,
    cluster: str = "",
) -> dict[str, bytes]:
    """Review a source in parts and return its data files."""
    monkeypatch.setattr(large_fleets, "_MUCH_CSV", 0)
    monkeypatch.setattr(fleet_reviews, "LARGE_FLEET", 0)
    monkeypatch.setattr(fleet_reviews, "METERS_AT_ONCE", at_once)
    monkeypatch.setattr(learn_laws, "PANEL_METERS", panel)
    # Another process would not see what is set here.
    monkeypatch.setattr(large_fleets, "elsewhere", lambda work, *given: work(*given))
    if not beside:
        monkeypatch.setattr(fleet_reviews, "side_by_side", _alone)
    return _written(source, out, parquet=parquet, cluster=cluster)


def _written(
    source: Path, out: Path, *, parquet: bool = False, cluster: str = ""
) -> dict[str, bytes]:
    """Review a source and return its data files but the record, which has times."""
    review_source(
        source,
        out=out,
        as_of=AS_OF,
        policy=read_policy(None),
        with_pages=False,
        progress=lambda _done, _of: None,
        parquet=parquet,
        cluster=cluster,
    )
    files = sorted((out / "data").iterdir())
    return {file.name: file.read_bytes() for file in files if file.name != "run.json"}


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the files of a fleet that is large enough to be cut."""
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(folder, meters=13, visits=14)
    return folder


@pytest.fixture(scope="module")
def in_one(fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Give the data files of one part that holds all meters, told by a panel of some."""
    out = tmp_path_factory.mktemp("in_one") / "out"
    with pytest.MonkeyPatch.context() as patch:
        return _reviewed(fleet, out, patch, at_once=100, panel=8)


@pytest.mark.parametrize("size", [5, 8])
def test_no_size_of_parts_shows_in_any_digit(
    fleet: Path,
    in_one: dict[str, bytes],
    size: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Some meters at a time give the same bytes as all at once."""
    assert "visits.csv" in in_one
    assert in_one == _reviewed(fleet, tmp_path / "parts", monkeypatch, at_once=size, panel=8)


def test_processes_side_by_side_give_the_same_bytes(
    fleet: Path, in_one: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two processes write what one does."""
    monkeypatch.setattr("drift.api.at_work.cores", lambda: 2)
    both = _reviewed(fleet, tmp_path / "two", monkeypatch, at_once=8, panel=8, beside=True)
    assert both == in_one


@pytest.mark.long
@pytest.mark.filterwarnings("ignore")  # what the cluster's library leaves to be cleared away
def test_workers_of_a_cluster_give_the_same_bytes(
    fleet: Path, in_one: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two of them, which read the parts from the folder beside the output."""
    monkeypatch.setattr("drift.api.cluster.cores", lambda: 2)
    sent = _reviewed(fleet, tmp_path / "sent", monkeypatch, at_once=8, panel=8, cluster="local")
    assert sent == in_one


@pytest.mark.parametrize("source", [pytest.param("sample", marks=pytest.mark.long), "fleet"])
def test_what_all_meters_stand_for_is_what_is_said_at_once(
    source: str, request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where all meters stand for the fleet, parts say what a review of all at once says."""
    folder = Path("sample_history").absolute()
    if source == "fleet":
        folder = request.getfixturevalue("fleet")
    at_once = _written(folder, tmp_path / "at_once")
    parts = _reviewed(folder, tmp_path / "parts", monkeypatch, at_once=7, panel=1000)
    assert set(at_once) - set(parts) == _OF_ALL_VISITS
    assert {name for name in parts if parts[name] != at_once[name]} == set()


def test_parquet_stands_beside_csv_with_the_same_rows(
    fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both ways of working write Parquet files of as many rows as the CSV files have."""
    monkeypatch.setattr(fleet_reviews, "side_by_side", _alone)
    _reviewed(fleet, tmp_path / "parts", monkeypatch, at_once=8, panel=8, parquet=True)
    for name in ("visits", "meters", "risks", "intervals"):
        table = pl.read_parquet(tmp_path / "parts" / "data" / f"{name}.parquet")
        text = pl.read_csv(tmp_path / "parts" / "data" / f"{name}.csv", infer_schema=False)
        assert (table.height, table.columns) == (text.height, text.columns)
