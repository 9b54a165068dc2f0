"""The least-squares forecast against its formula, a fine search and simulated truth."""

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.forecast.naive import FORECASTS, extrapolate
from drift.trend.regression import TRENDS, fit_trends

SETTINGS = {"tolerance": 0.1, "band_level": 0.8, "horizon_years": 5.0}


def _trends(**given: Any) -> pl.DataFrame:
    """Return a row of `TRENDS` with a slope of 0.04 % a year unless given otherwise."""
    row: dict[str, Any] = dict.fromkeys(TRENDS)
    row |= {"series": 0, "points": 12, "slope": 0.04, "slope_low": 0.02, "slope_high": 0.06}
    row |= {"residual_sd": 0.02, "sum_squares_t": 9.0, "resolution_limited": False}
    return pl.DataFrame([row | given], schema=TRENDS)


def _now(**given: Any) -> pl.DataFrame:
    row = {"series": 0, "t_years": 24.0, "level": 0.05, "due_t_years": 24.25, "resolution": 0.05}
    schema = {"series": pl.Int64} | dict.fromkeys([*row][1:], pl.Float64)
    return pl.DataFrame([row | given], schema=schema)


def _forecast(trends: pl.DataFrame, now: pl.DataFrame, **settings: float) -> dict[str, Any]:
    frame = extrapolate(trends, now, **(SETTINGS | settings))
    assert frame.schema == FORECASTS
    return frame.row(0, named=True)


def test_band_and_chance_follow_the_formula() -> None:
    """The docstring's formula, evaluated with scipy's t distribution."""
    row = _forecast(_trends(), _now())
    spread = np.sqrt(2 * 0.02**2 + 0.25**2 * 0.02**2 / 9)
    predicted = stats.t(10, loc=0.05 + 0.04 * 0.25, scale=spread)
    assert row["at_due"] == pytest.approx(0.06, abs=1e-12)
    assert (row["at_due_low"], row["at_due_high"]) == pytest.approx(
        predicted.interval(0.8), abs=1e-9
    )
    chance = predicted.sf(0.1) + predicted.cdf(-0.1)
    assert row["p_out_due"] == pytest.approx(chance, abs=1e-9)
    assert (row["drift"], row["drift_low"], row["drift_high"]) == (0.04, 0.02, 0.06)


@pytest.mark.parametrize("level", [0.05, -0.03, 0.099])
@pytest.mark.parametrize("slope", [0.04, -0.08, 0.01])
def test_crossings_are_where_the_band_meets_the_tolerance(level: float, slope: float) -> None:
    """Crossing dates solve the equations that define them, found here by a fine search."""
    row = _forecast(_trends(slope=slope), _now(level=level), horizon_years=50.0)
    years = np.linspace(0, 50, 2_000_001)
    reach = stats.t.ppf(0.9, 10) * np.sqrt(0.02**2 + years**2 * 0.02**2 / 9)
    line = level + slope * years
    way = np.sign(slope)
    touching = {
        "crossing": way * line >= 0.1,
        "crossing_early": np.abs(line) + reach >= 0.1,
        "crossing_late": way * line - reach >= 0.1,
    }
    for name, touches in touching.items():
        if touches.any():
            assert row[name] - 24 == pytest.approx(years[touches.argmax()], abs=3e-5)
        else:
            assert row[name] is None


def test_no_crossing_within_the_horizon_is_null() -> None:
    """A crossing beyond the horizon is not a date."""
    row = _forecast(_trends(slope=0.001), _now(level=0.0), horizon_years=2.0)
    assert row["crossing"] is None
    assert row["crossing_late"] is None


def test_meter_left_outside_crosses_at_its_last_visit() -> None:
    """A bias already beyond the tolerance is out now, whichever way it drifts."""
    row = _forecast(_trends(slope=-0.04), _now(level=0.2))
    assert row["crossing"] == row["crossing_early"] == row["crossing_late"] == 24.0
    assert row["p_out_due"] > 0.9


def test_resolution_limited_series_stays_where_it_is() -> None:
    """Without an identifiable slope the scatter is the dial's floor δ/√12 and drift is null."""
    hidden = _trends(slope=None, slope_low=None, slope_high=None, residual_sd=None)
    hidden = hidden.with_columns(resolution_limited=pl.lit(value=True))
    row = _forecast(hidden, _now(level=0.02, resolution=0.1))
    floor = 0.1 / np.sqrt(12)
    spread = floor * np.sqrt(2 + 0.25**2 / 9)
    assert (row["drift"], row["at_due"], row["crossing"]) == (None, 0.02, None)
    assert row["at_due_high"] == pytest.approx(0.02 + stats.t.ppf(0.9, 10) * spread, abs=1e-9)


@pytest.mark.parametrize("missing", ["no trend", "no level", "no resolution"])
def test_what_cannot_be_said_is_null(missing: str) -> None:
    """Too few visits, an unknown level, or a hidden slope on an unknown dial: nulls, no NaN."""
    trends, now = _trends(slope=None, residual_sd=None), _now()
    if missing == "no level":
        trends, now = _trends(), _now(level=None)
    if missing == "no resolution":
        trends = trends.with_columns(resolution_limited=pl.lit(value=True))
        now = _now(resolution=None)
    row = _forecast(trends, now)
    for name in ("at_due_low", "at_due_high", "p_out_due", "crossing", "crossing_early"):
        assert row[name] is None


def test_series_without_a_trend_row_is_kept() -> None:
    """Every series asked for has a row, in order."""
    now = pl.concat([_now(series=3), _now(series=0)])
    assert extrapolate(_trends(), now, **SETTINGS)["series"].to_list() == [0, 3]


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"tolerance": 0.0}, "tolerance"),
        ({"band_level": 1.0}, "band_level"),
        ({"horizon_years": 0.0}, "horizon_years"),
    ],
)
def test_settings_that_cannot_be_meant_are_refused(wrong: dict[str, float], named: str) -> None:
    """The message names the setting; so it does for a visit due in the past of the last one."""
    with pytest.raises(ValueError, match=named):
        _forecast(_trends(), _now(), **wrong)
    with pytest.raises(ValueError, match="due before"):
        _forecast(_trends(), _now(due_t_years=23.0))


def test_line_without_scatter_is_certain() -> None:
    """A residual of exactly zero gives a chance of 0 or 1, not NaN."""
    assert _forecast(_trends(residual_sd=0.0), _now())["p_out_due"] == 0.0
    assert _forecast(_trends(residual_sd=0.0), _now(level=0.095))["p_out_due"] == 1.0


def test_bands_and_chances_hold_on_white_noise() -> None:
    """Where its assumptions hold the 80 % band covers 78 to 82 % and chances come true.

    4,000 simulated meters with straight drift and normal reading noise, truth known, and levels
    spread evenly: the method knows nothing of where levels usually are.
    """
    rng = np.random.default_rng(6)
    meters, visits = 4000, 12
    times = np.arange(visits) / 4
    drift = rng.normal(0, 0.05, meters)
    values = drift[:, None] * times + rng.normal(0, 0.03, (meters, visits))
    paths = pl.DataFrame(
        {
            "series": np.repeat(np.arange(meters), visits),
            "t_years": np.tile(times, meters),
            "value": values.ravel(),
            "resolution": np.full(meters * visits, 1e-6),
        }
    )
    start = rng.uniform(-0.3, 0.3, meters)
    now = pl.DataFrame(
        {
            "series": np.arange(meters),
            "t_years": np.full(meters, times[-1]),
            "level": start + rng.normal(0, 0.03, meters),
            "due_t_years": np.full(meters, times[-1] + 0.5),
            "resolution": np.full(meters, 1e-6),
        }
    )
    forecast = extrapolate(fit_trends(paths), now, **SETTINGS)
    found = start + drift * 0.5 + rng.normal(0, 0.03, meters)
    inside = (forecast["at_due_low"].to_numpy() <= found) & (
        found <= forecast["at_due_high"].to_numpy()
    )
    assert 0.78 < inside.mean() < 0.82
    out = np.abs(found) > 0.1
    chance = forecast["p_out_due"].to_numpy()
    for low, high in ((0.0, 0.2), (0.2, 0.5), (0.5, 1.0)):
        band = (chance >= low) & (chance < high)
        assert band.sum() > 300
        assert chance[band].mean() == pytest.approx(out[band].mean(), abs=0.05)
