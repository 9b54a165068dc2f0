"""Mixed models with crossed random effects, fitted by the package's own REML."""

import csv
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import approx_fprime

from drift.reference.mixed_model import (
    FIXED,
    CrossProducts,
    RemlFit,
    _criterion,
    absorb,
    cross_products,
    fit_one_component,
    fit_reml,
    join_products,
)

Floats = npt.NDArray[np.float64]
REFERENCE = Path(__file__).parents[1] / "published"


def _columns(name: str) -> dict[str, Floats]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def _published(name: str) -> dict[str, float]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return {row["quantity"]: float(row["published"] or "nan") for row in csv.DictReader(file)}


def _one_way(response: Floats, batch: Floats) -> RemlFit:
    ones = np.ones((len(response), 1))
    group = batch.astype(np.int64) - 1
    products = cross_products(response, group=group, group_design=ones, columns=ones)
    return fit_reml(products, components=[FIXED])


def test_dyestuff() -> None:
    """Dyestuff yields (Davies & Goldsmith 1972; REML estimates of Bates, lme4 book, chapter 1)."""
    data, known = _columns("k_dyestuff.csv"), _published("k_dyestuff_expected.csv")
    fit = _one_way(data["yield_g"], data["batch"])
    assert fit.converged
    assert fit.group_variances[0] == pytest.approx(known["reml_var_batch"], abs=0.5)
    assert fit.residual_variance == pytest.approx(known["reml_var_residual"], abs=0.5)
    assert fit.criterion == pytest.approx(known["reml_criterion"], abs=5e-5)
    assert fit.estimates[0] == pytest.approx(known["mean"], abs=0.05)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(known["se_mean"], abs=0.005)
    # Balanced data: REML equals the analysis of variance where that is not negative.
    assert fit.group_variances[0] == pytest.approx((11271.5 - 2451.25) / 5, rel=1e-6)


def test_dyestuff2_ends_on_the_boundary() -> None:
    """Dyestuff2 (Box & Tiao 1973, simulated): the batch variance is exactly 0 by REML."""
    data, known = (
        _columns("k_dyestuff2_boundary.csv"),
        _published("k_dyestuff2_boundary_expected.csv"),
    )
    fit = _one_way(data["yield"], data["batch"])
    assert fit.converged
    assert fit.group_variances[0] == 0
    assert fit.residual_variance == pytest.approx(known["reml_var_residual"], abs=5e-4)
    assert fit.criterion == pytest.approx(known["reml_criterion"], abs=5e-5)


def test_pastes_nested() -> None:
    """Pastes strength (Davies & Goldsmith 1972; lme4 book): cask absorbed, batch as columns."""
    data, known = _columns("k_pastes_nested.csv"), _published("k_pastes_nested_expected.csv")
    batch, cask = data["batch"].astype(np.int64) - 1, data["cask"].astype(np.int64) - 1
    columns = np.column_stack([np.eye(10)[batch], np.ones(len(batch))])
    products = cross_products(
        data["strength"],
        group=batch * 3 + cask,
        group_design=np.ones((len(batch), 1)),
        columns=columns,
    )
    fit = fit_reml(products, components=[0] * 10 + [FIXED])
    assert fit.converged
    assert fit.group_variances[0] == pytest.approx(known["reml_var_cask_in_batch"], abs=1e-3)
    assert fit.rest_variances[0] == pytest.approx(known["reml_var_batch"], abs=1e-3)
    assert fit.residual_variance == pytest.approx(known["reml_var_residual"], abs=5e-4)
    assert fit.criterion == pytest.approx(known["reml_criterion"], abs=5e-5)
    assert np.sqrt(fit.covariance[10, 10]) == pytest.approx(known["se_mean"], abs=5e-5)


def test_penicillin_crossed() -> None:
    """Penicillin (Davies & Goldsmith 1972; lme4 book): plates crossed with samples."""
    data = _columns("k_penicillin_crossed.csv")
    known = _published("k_penicillin_crossed_expected.csv")
    plate, sample = data["plate"].astype(np.int64) - 1, data["sample"].astype(np.int64) - 1
    products = cross_products(
        data["diameter"],
        group=plate,
        group_design=np.ones((len(plate), 1)),
        columns=np.column_stack([np.eye(6)[sample], np.ones(len(sample))]),
    )
    fit = fit_reml(products, components=[0] * 6 + [FIXED])
    assert fit.converged
    assert np.sqrt(fit.group_variances[0]) == pytest.approx(known["reml_sd_plate"], abs=5e-5)
    assert np.sqrt(fit.rest_variances[0]) == pytest.approx(known["reml_sd_sample"], abs=5e-5)
    assert np.sqrt(fit.residual_variance) == pytest.approx(known["reml_sd_residual"], abs=5e-5)
    assert fit.criterion == pytest.approx(known["reml_criterion"], abs=5e-5)
    assert fit.estimates[6] == pytest.approx(known["mean"], abs=5e-5)
    assert np.sqrt(fit.covariance[6, 6]) == pytest.approx(known["se_mean"], abs=5e-5)


def test_balanced_crossed_equals_analysis_of_variance() -> None:
    """Two crossed factors, balanced: REML is (MSA − MSE)/b, (MSB − MSE)/a, MSE (Searle 1992)."""
    rng = np.random.default_rng(6)
    plates, samples = 24, 6
    table = rng.normal(0, 1, (plates, 1)) + rng.normal(0, 2, (1, samples))
    table = table + rng.normal(0, 0.5, (plates, samples)) + 23
    row_means, column_means = table.mean(axis=1), table.mean(axis=0)
    residual = table - row_means[:, None] - column_means + table.mean()
    error = (residual**2).sum() / ((plates - 1) * (samples - 1))
    of_plates = row_means.var(ddof=1) - error / samples
    of_samples = column_means.var(ddof=1) - error / plates
    group = np.repeat(np.arange(plates), samples)
    columns = np.column_stack([np.tile(np.eye(samples), (plates, 1)), np.ones(table.size)])
    products = cross_products(
        table.ravel(), group=group, group_design=np.ones((table.size, 1)), columns=columns
    )
    fit = fit_reml(products, components=[0] * samples + [FIXED])
    assert fit.group_variances[0] == pytest.approx(of_plates, rel=1e-5)
    assert fit.rest_variances[0] == pytest.approx(of_samples, rel=1e-5)
    assert fit.residual_variance == pytest.approx(error, rel=1e-6)


def _crossed_fleet(
    seed: int, *, operator_sd: float = 0.03
) -> tuple[CrossProducts, dict[str, npt.NDArray[Any]]]:
    """Return 30 meters × 12 visits with random intercepts and slopes, 6 vessels, 8 operators."""
    rng = np.random.default_rng(seed)
    meters, visits, vessels, operators = 30, 12, 6, 8
    meter = np.repeat(np.arange(meters), visits)
    t = np.tile(np.linspace(-1, 1, visits), meters)
    vessel = rng.integers(0, vessels, meter.size)
    operator = rng.integers(0, operators, meter.size)
    y = rng.normal(0, 0.15, meters)[meter] + rng.normal(0.02, 0.05, meters)[meter] * t
    y += rng.normal(0, 0.05, vessels)[vessel] + rng.normal(0, operator_sd, operators)[operator]
    y += rng.normal(0, 0.06, meter.size)
    columns = np.column_stack(
        [np.eye(vessels)[vessel], np.eye(operators)[operator], np.ones(meter.size), t]
    )
    design = np.column_stack([np.ones(meter.size), t])
    products = cross_products(y, group=meter, group_design=design, columns=columns)
    return products, {"y": y, "t": t, "meter": meter, "vessel": vessel, "operator": operator}


_CROSSED = [0] * 6 + [1] * 8 + [FIXED, FIXED]


def test_crossed_fit_equals_statsmodels() -> None:
    """Criterion, slope and variances equal statsmodels 0.15 MixedLM on data where it converges.

    Its standard error comes from the Hessian that includes the variances, so it differs in the
    third digit from that of generalised least squares, which the next but one test checks.
    """
    import pandas as pd  # noqa: PLC0415  # heavy, and needed by this cross-check only
    import statsmodels.formula.api as smf  # noqa: PLC0415

    products, data = _crossed_fleet(3)
    fit = fit_reml(products, components=_CROSSED)
    unit = 0.1  # y is brought near unit size, where MixedLM converges
    frame = pd.DataFrame({**data, "all": 1.0})
    frame["y"] /= unit
    terms = {
        "meter": "0 + C(meter)",
        "slope": "0 + C(meter):t",
        "vessel": "0 + C(vessel)",
        "operator": "0 + C(operator)",
    }
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of a boundary that is not there
        peer = smf.mixedlm("y ~ t", frame, groups="all", vc_formula=terms).fit(method=["lbfgs"])
    assert peer.converged
    named = dict(zip(peer.model.exog_vc.names, peer.vcomp * unit**2, strict=True))
    criterion = -2 * peer.llf + (len(frame) - 2) * np.log(unit**2)
    assert fit.criterion == pytest.approx(criterion, abs=1e-6)
    assert fit.estimates[-1] == pytest.approx(peer.fe_params["t"] * unit, abs=1e-7)
    assert np.sqrt(fit.covariance[-1, -1]) == pytest.approx(peer.bse_fe["t"] * unit, rel=2e-3)
    assert fit.residual_variance == pytest.approx(peer.scale * unit**2, rel=1e-5)
    ours = [*fit.group_variances, *fit.rest_variances]
    np.testing.assert_allclose(ours, [named[key] for key in terms], rtol=1e-4)


def test_gradient_equals_finite_differences() -> None:
    """The exact gradient of the criterion equals its numerical derivative (scipy)."""
    products, _ = _crossed_fleet(4)
    codes = np.array(_CROSSED)
    at = np.array([2.0, 0.5, 0.3, 0.7])
    numeric = approx_fprime(at, lambda ratios: _criterion(products, codes, ratios)[0], 1e-6)
    np.testing.assert_allclose(_criterion(products, codes, at)[1], numeric, rtol=1e-4, atol=1e-4)


def test_estimates_equal_generalised_least_squares() -> None:
    """Fixed effects and BLUPs equal the textbook formulas with the full covariance matrix."""
    products, data = _crossed_fleet(5)
    fit = fit_reml(products, components=_CROSSED)
    y, t = data["y"], data["t"]
    z = {
        key: np.eye(int(data[key].max()) + 1)[data[key].astype(int)]
        for key in ("meter", "vessel", "operator")
    }
    cov = fit.residual_variance * np.eye(len(y))
    cov += fit.group_variances[0] * z["meter"] @ z["meter"].T
    cov += fit.group_variances[1] * (z["meter"] * t[:, None]) @ (z["meter"] * t[:, None]).T
    cov += fit.rest_variances[0] * z["vessel"] @ z["vessel"].T
    cov += fit.rest_variances[1] * z["operator"] @ z["operator"].T
    x = np.column_stack([np.ones(len(y)), t])
    inverse = np.linalg.inv(cov)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    np.testing.assert_allclose(fit.estimates[-2:], beta, rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(fit.covariance[-2:, -2:], np.linalg.inv(information), rtol=1e-8)
    blup = fit.rest_variances[0] * z["vessel"].T @ inverse @ (y - x @ beta)
    np.testing.assert_allclose(fit.estimates[:6], blup, atol=1e-9)


def test_zero_variance_is_found_and_left_at_zero() -> None:
    """With no operator effect planted, the operator SD is 0 or far below the residual SD."""
    for seed in range(5):
        fit = fit_reml(_crossed_fleet(seed, operator_sd=0.0)[0], components=_CROSSED)
        assert fit.converged
        assert np.sqrt(fit.rest_variances[1]) < 0.02


def test_no_start_is_trapped() -> None:
    """No point of a coarse grid has a lower criterion than the reported minimum."""
    for seed in range(3):
        products, _ = _crossed_fleet(10 + seed)
        fit = fit_reml(products, components=_CROSSED)
        grid = np.array([0.0, 0.05, 0.5, 4.0])
        points = np.stack(np.meshgrid(grid, grid, grid, grid), axis=-1).reshape(-1, 4)
        lowest = min(_criterion(products, np.array(_CROSSED), point)[0] for point in points)
        assert fit.criterion <= lowest + 1e-9


def test_joined_products_equal_the_whole() -> None:
    """Summing products of two halves of the meters gives the products of all of them."""
    whole, data = _crossed_fleet(8)
    parts = []
    columns = np.column_stack(
        [
            np.eye(6)[data["vessel"].astype(int)],
            np.eye(8)[data["operator"].astype(int)],
            np.ones(len(data["t"])),
            data["t"],
        ]
    )
    for keep in (data["meter"] < 13, data["meter"] >= 13):
        group = data["meter"][keep].astype(np.int64)
        parts.append(
            cross_products(
                data["y"][keep],
                group=group - group.min(),
                group_design=columns[keep][:, -2:],
                columns=columns[keep],
            )
        )
    joined = join_products(parts)
    assert joined.rows == whole.rows
    # The sums of t are 0 but for what adding in another order leaves, so no relative tolerance.
    np.testing.assert_allclose(joined.group, whole.group, atol=1e-12)
    np.testing.assert_allclose(joined.rest, whole.rest, atol=1e-12)
    ratios = np.array([3.0, 0.4])
    one, two = absorb(joined, ratios=ratios), absorb(whole, ratios=ratios)
    np.testing.assert_allclose(one.products, two.products, atol=1e-9)
    assert one.log_det == pytest.approx(two.log_det)


def test_models_that_cannot_be_fitted_are_refused() -> None:
    """Collinear fixed columns, too few rows and an exact fit raise with the reason."""
    t = np.arange(6.0)
    group = np.repeat([0, 1], 3)
    ones = np.ones((6, 1))
    twice = np.column_stack([t, 2 * t])
    noise = np.array([0.3, -0.1, 0.2, 0.5, -0.4, 0.1])
    products = cross_products(noise, group=group, group_design=ones, columns=twice)
    with pytest.raises(ValueError, match="collinear"):
        fit_reml(products, components=[FIXED, FIXED])
    products = cross_products(noise[:1], group=group[:1], group_design=ones[:1], columns=ones[:1])
    with pytest.raises(ValueError, match="more than 1 fixed"):
        fit_reml(products, components=[FIXED])
    products = cross_products(t * 3, group=group, group_design=ones, columns=t[:, None])
    with pytest.raises(ValueError, match="without error"):
        fit_reml(products, components=[FIXED])


def test_one_component_equals_the_general_fit() -> None:
    """The spectral form finds the same variance ratio and criterion as the general search."""
    for seed, planted in ((1, 0.05), (2, 0.0), (3, 0.5)):
        rng = np.random.default_rng(seed)
        group = np.repeat(np.arange(25), 9)
        t = np.tile(np.linspace(-1, 1, 9), 25)
        y = rng.normal(0, 1, 25)[group] * planted * t + rng.normal(0, 0.1, t.size)
        columns = np.column_stack([np.ones(t.size), t, t**2])
        products = cross_products(y, group=group, group_design=t[:, None], columns=columns)
        general = fit_reml(products, components=[FIXED] * 3)
        ratio, criterion = fit_one_component(products)
        expected = general.group_variances[0] / general.residual_variance
        assert ratio == pytest.approx(expected, rel=1e-4, abs=1e-6)
        assert criterion == pytest.approx(general.criterion, abs=1e-7)
