"""Processes that help with a review: how many there are, and that they forecast what it would."""

import multiprocessing
from datetime import date
from pathlib import Path

import pytest

from drift.api import at_work, sources
from drift.api.reviews import review_source
from drift.errors import DriftError, SourceError, StoreError
from drift.review.policy import Policy
from tests.sample_reviews import SAMPLE, worked_out_anew

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


def _written(out: Path) -> dict[str, bytes]:
    with worked_out_anew():
        review_source(
            SAMPLE,
            out=out,
            as_of=ON,
            policy=Policy(),
            with_pages=False,
            progress=lambda _done, _of: None,
        )
    files = (out / "data").glob("*.csv")
    return {file.name: file.read_bytes() for file in files}


def test_a_forecast_of_another_process_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every data file has the same bytes whether a thread or a process forecast."""
    monkeypatch.setattr(at_work, "cores", lambda: 2)
    aside = _written(tmp_path / "two")
    monkeypatch.setattr(at_work, "cores", lambda: 1)
    assert aside == _written(tmp_path / "one")
    assert "forecast.csv" in aside


def test_a_helper_that_is_ended_is_told_in_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The review stops, says why, and writes nothing."""
    monkeypatch.setattr(at_work, "cores", lambda: 2)
    real = sources.read_known

    def read_then_end(*given: object, **named: object) -> object:
        for child in multiprocessing.active_children():
            child.kill()
        return real(*given, **named)  # type: ignore[arg-type]  # as it was called

    monkeypatch.setattr("drift.api.reviews.read_known", read_then_end)
    with pytest.raises(DriftError, match="a process that helped was ended"):
        _written(tmp_path / "out")
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
