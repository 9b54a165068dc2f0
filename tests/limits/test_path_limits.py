"""Limits of paths: seldom left where nothing moved, left soon where something did."""

import numpy as np
import polars as pl
import pytest

from drift.limits.choices import ChartSettings
from drift.limits.path_limits import PATH_LIMITS, path_limits

SIGMA = 0.02


def paths(values: np.ndarray, *, error: float, anew: bool = False) -> pl.DataFrame:
    """Return paths, one a row, as `path_limits` takes them."""
    series, visits = values.shape
    return pl.DataFrame(
        {
            "series": np.repeat(np.arange(series), visits),
            "visit": np.tile(np.arange(1, visits + 1), series),
            "phase": 1,
            "t_years": np.tile(np.arange(visits) / 4, series),
            "value": values.ravel(),
            "error": error,
            "anew": anew,
            "law_slope": 0.0,
            "beside": 0.0,
        }
    )


def share_beyond(values: np.ndarray, *, error: float, anew: bool = False) -> float:
    """Return the share of points after the baseline that lie beyond."""
    found = path_limits(paths(values, error=error, anew=anew), settings=ChartSettings())
    assert found.schema == PATH_LIMITS
    return float(found.filter(~pl.col("in_baseline"))["beyond"].cast(pl.Float64).mean())  # type: ignore[arg-type]  # a column of numbers


@pytest.mark.parametrize("step", [0.0, 0.05, 0.1])
def test_sound_paths_stay_within(step: float) -> None:
    """At most 3 points in 1,000 of sound meters lie beyond, wherever on the dial they rest."""
    rng = np.random.default_rng(3)
    values = rng.uniform(-0.1, 0.1, (2000, 1)) + rng.normal(0, SIGMA, (2000, 20))
    if step:
        values = np.round(values / step) * step
    assert share_beyond(values, error=float(np.hypot(SIGMA, step / 12**0.5))) <= 0.003


def test_steps_read_anew_open_the_limits() -> None:
    """Where each visit is adjusted the path gathers the errors of two readings a step."""
    rng = np.random.default_rng(4)
    noise = rng.normal(0, SIGMA, (2000, 24, 2))
    steps = noise[..., 0] - np.concatenate([np.zeros((2000, 1)), noise[:, :-1, 1]], axis=1)
    assert share_beyond(np.cumsum(steps, axis=1), error=SIGMA, anew=True) <= 0.003


def test_a_shift_is_seen() -> None:
    """A zero that shifts by 0.15 is beyond its limits at most visits."""
    rng = np.random.default_rng(5)
    values = rng.normal(0, SIGMA, (500, 20))
    values[:, 10:] += 0.15
    found = path_limits(paths(values, error=SIGMA), settings=ChartSettings())
    assert found.filter(pl.col("visit") > 10)["beyond"].mean() > 0.8  # type: ignore[operator]  # a number


def test_a_short_path_has_no_limits() -> None:
    found = path_limits(paths(np.zeros((1, 6)), error=SIGMA), settings=ChartSettings())
    assert found["upper"].null_count() == 6
    assert not found["beyond"].any()
