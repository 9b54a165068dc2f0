"""NIST Statistical Reference Datasets, linear regression, through the package's own fits."""

import numpy as np
import polars as pl
import pytest

from drift.trend import jump_scan, local_level
from drift.trend.regression import fit_trends
from tests.published.reference_tables import column, expected


def test_norris() -> None:
    """StRD Norris (lower difficulty): coefficients, their errors and the residual scatter.

    Certified to 15 digits; the tolerance of 1e-11 is what doubles hold after squaring.
    """
    certified = expected("a_strd_norris_certified", "certified")
    x, y = column("a_strd_norris", "x"), column("a_strd_norris", "y")
    paths = pl.DataFrame({"series": 1, "t_years": x, "value": y}).with_columns(
        resolution=pl.lit(None, dtype=pl.Float64)
    )
    row = fit_trends(paths).row(0, named=True)
    assert row["slope"] == pytest.approx(certified["B1"], rel=1e-12)
    assert row["intercept"] == pytest.approx(certified["B0"], rel=1e-10)
    assert row["residual_sd"] == pytest.approx(certified["residual_sd"], rel=1e-11)
    error = row["residual_sd"] / np.sqrt(row["sum_squares_t"])
    assert error == pytest.approx(certified["se_B1"], rel=1e-11)
    level_error = row["residual_sd"] * np.sqrt(
        1 / row["points"] + row["mean_t_years"] ** 2 / row["sum_squares_t"]
    )
    assert level_error == pytest.approx(certified["se_B0"], rel=1e-11)


@pytest.mark.parametrize("last", range(6))
def test_longley(last: int) -> None:
    """StRD Longley (higher difficulty): each slope and the residual scatter, eight digits.

    The search for jumps takes columns out of a path one by one; without wander and on the
    differences, the six regressors of Longley are such columns, and the last one's coefficient
    is the certified slope.
    """
    certified = expected("a_strd_longley_certified", "certified")
    regressors = [np.diff(column("a_strd_longley", f"x{k}")) for k in range(1, 7)]
    regressors.append(regressors.pop(last))
    steps = np.diff(column("a_strd_longley", "y"))[None, :]
    shares = np.ones(steps.shape, dtype=bool)
    shares[:, 0] = False
    model = jump_scan.start_model(
        local_level.factor_covariance(np.ones(steps.shape), shares), steps
    )
    for regressor in regressors:
        model = jump_scan.take_out(model, regressor[None, :])
    white = 0  # the ratio without wander, where a step's variance is scaled to twice ½
    assert local_level.RATIOS[white] == 0
    assert model.coefficient[0, white] == pytest.approx(certified[f"B{last + 1}"], rel=1e-8)
    scatter = np.sqrt(model.squares[0, white] / 2 / 9)
    assert scatter == pytest.approx(certified["residual_sd"], rel=1e-7)
