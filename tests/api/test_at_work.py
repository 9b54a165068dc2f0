"""Processes that help with a review: how many there are, and that they forecast what it would."""

import multiprocessing
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from drift.api import at_work, sources
from drift.api.reviews import review_source
from drift.beside import processes
from drift.errors import DriftError, SourceError, StoreError
from drift.review.policy import Policy
from tests.guide.laboratory import write_history
from tests.sample_reviews import worked_out_anew

ON = date(2026, 7, 1)


@pytest.mark.parametrize(
    ("cores", "size", "with_pages", "helpers"),
    [
        (1, 900_000, True, 0),
        (2, 900_000, True, 1),
        (4, 900_000, True, 3),
        (4, 900_000, False, 1),
        (4, 250_000, True, 2),
        (4, 60_000, True, 0),
    ],
)
def test_helpers_by_cores_and_what_is_on_record(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    *,
    cores: int,
    size: int,
    with_pages: bool,
    helpers: int,
) -> None:
    """None where there is no other core or little to read; one does for data alone."""
    (tmp_path / "readings.csv").write_bytes(b"x" * size)
    monkeypatch.setattr(at_work, "cores", lambda: cores)
    monkeypatch.setattr(at_work, "_load_forecaster", max)
    with at_work.helpers_for(tmp_path, with_pages=with_pages) as found:
        assert len(found) == helpers


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the history of six meters, one of which fails and two of which drift."""
    return write_history(tmp_path_factory.mktemp("work") / "history")


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let another process help with whatever there is."""
    monkeypatch.setattr(at_work, "cores", lambda: 2)
    monkeypatch.setattr(at_work, "_WORTH_A_PROCESS", 1_000)


def _written(source: Path, out: Path) -> dict[str, bytes]:
    with worked_out_anew():
        review_source(
            source,
            out=out,
            as_of=ON,
            policy=Policy(),
            with_pages=False,
            progress=lambda _done, _of: None,
        )
    files = (out / "data").glob("*.csv")
    return {file.name: file.read_bytes() for file in files}


@pytest.mark.usefixtures("two_cores")
def test_a_forecast_of_another_process_is_the_same(
    laboratory: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every data file has the same bytes whether a thread or a process forecast."""
    begun: list[int] = []

    def counted(count: int, **named: Any) -> Any:
        begun.append(count)
        return processes(count, **named)

    monkeypatch.setattr(at_work, "processes", counted)
    aside = _written(laboratory, tmp_path / "two")
    monkeypatch.setattr(at_work, "cores", lambda: 1)
    assert aside == _written(laboratory, tmp_path / "one")
    assert begun == [1, 0]
    assert "forecast.csv" in aside


@pytest.mark.usefixtures("two_cores")
def test_a_helper_that_is_ended_is_told_in_a_sentence(
    laboratory: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The review stops, says why, and writes nothing."""
    real = sources.read_known

    def read_then_end(*given: object, **named: object) -> object:
        for child in multiprocessing.active_children():
            child.kill()
        return real(*given, **named)  # type: ignore[arg-type]  # as it was called

    monkeypatch.setattr("drift.api.reviews.read_known", read_then_end)
    with pytest.raises(DriftError, match="a process that helped was ended"):
        _written(laboratory, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def _refuse(kind: type[DriftError]) -> None:
    raise kind(what="is no store", where="a.duckdb", expected="a store", hint="look again")


@pytest.mark.parametrize("kind", [DriftError, SourceError, StoreError])
def test_what_another_process_refuses_is_told_as_it_was_there(kind: type[DriftError]) -> None:
    """The error keeps its kind and its four parts."""
    with pytest.raises(kind) as told:
        at_work.elsewhere(_refuse, kind)
    error = told.value
    assert type(error) is kind
    assert str(error) == "a.duckdb: is no store; expected a store"
    assert (error.what, error.where, error.hint) == ("is no store", "a.duckdb", "look again")
