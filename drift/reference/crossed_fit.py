"""This module fits what the meters of a fleet share beside what each does by itself.

Vessels, operators, the season or the water temperature, and the drift all meters share are columns
of one model; the module names no effect and judges none.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.interpolate import PchipInterpolator
from scipy.linalg import lapack
from scipy.optimize import minimize_scalar

from drift.arrays import Floats, Integers
from drift.reference.crossed_design import Design, lay_out, sittings
from drift.reference.crossed_products import block_steps, whitened_products
from drift.reference.mixed_model import absorb, fit_one_component

# Meters from which the wandering of a level and the spread of drift rates are estimated; more
# would change the third digit only.
_METERS_FOR_VARIANCES = 300
# Standard deviation of a year's wandering over that of the noise: coarse grid, finer steps.
_ROOT_GRID = (0.0, 0.3, 0.6, 1.0, 1.7, 3.0, 5.5, 10.0)
_FINER_STEPS = 8
_COLLINEAR = 1e-8
_BINS_FOR_VARIANCES = 48


@dataclass(frozen=True, slots=True)
class CrossedFit:
    """What a fleet's sittings say about everything that its meters share.

    Attributes
    ----------
    design : Design
        Columns are bins, then operators, then extra columns.
    gram : array (m, m)
        R'V⁻¹R of the columns, meters' own levels and drifts absorbed, noise variance 1.
    right : array (m,)
        R'V⁻¹y.
    total : float
        y'V⁻¹y.
    noise_sd : float
        Standard deviation of one sitting, % air.
    wander_sd : float
        Standard deviation of a level's random walk after one year, % air.
    drift_sd : float
        Standard deviation of the meters' drift rates, % air per year.
    freedom : int
        Degrees of freedom of the noise variance.
    rows : int
        Sittings that carry information: all but the first of each block.
    """

    design: Design
    gram: Floats
    right: Floats
    total: float
    noise_sd: float
    wander_sd: float
    drift_sd: float
    freedom: int
    rows: int


def fit_crossed(
    ledger: pl.DataFrame,
    *,
    sessions: pl.DataFrame,
    vessels: pl.DataFrame,
    bins_each: int | None = None,
) -> CrossedFit | None:
    """Fit the effects that meters share.

    Parameters
    ----------
    ledger, sessions, vessels : pl.DataFrame
        As for `drift.reference.crossed_design.sittings`.
    bins_each : int, optional
        Most bins by date of each calibration period of a vessel, for dating a shift within it.

    Returns
    -------
    CommonFit or None
        None where no meter was seen twice without an adjustment between, or too few sittings
        remain to estimate a noise.

    Notes
    -----
    Bias = free level of the block + drift of the meter + common effects + noise; the level wanders
    as a random walk.  Drift rates are random about the drift all meters share.  The two variance
    ratios are found by REML (on at most 300 meters), that of the wandering as a mean over its
    likelihood, and the effects by generalised least squares.
    """
    rows = sittings(ledger, sessions=sessions, vessels=vessels)
    rows = rows.filter(pl.len().over("block") > 1)
    if rows.is_empty():
        return None
    found = _variance_ratios(rows)
    if found is None:
        return None
    wander, drift_ratio = found
    design = lay_out(rows, bins_each=bins_each)
    products, _ = whitened_products(block_steps(design), wander=wander)
    absorbed = absorb(products, ratios=np.array([drift_ratio])).products
    gram, right, total = absorbed[:-1, :-1], absorbed[:-1, -1], float(absorbed[-1, -1])
    estimates, rank = _solve(gram, right)
    freedom = products.rows - rank - (len(products.group) if drift_ratio > 0 else 0)
    squares = total - right @ estimates
    if freedom < 1 or squares <= 0:
        return None
    # Slopes are random, so the generalised residual sum has rows − rank degrees of freedom; the
    # t quantile below uses the fewer that remain if they were fixed.
    noise_sd = float(np.sqrt(squares / (products.rows - rank)))
    return CrossedFit(
        design=design,
        gram=gram,
        right=right,
        total=total,
        noise_sd=noise_sd,
        wander_sd=noise_sd * float(np.sqrt(wander)),
        drift_sd=noise_sd * float(np.sqrt(drift_ratio)),
        freedom=freedom,
        rows=products.rows,
    )


def _variance_ratios(rows: pl.DataFrame) -> tuple[float, float] | None:
    """Return variances of wandering (per year) and of drift rates, over that of the noise."""
    # In the order of the rows, which no name decides.
    meters = rows["meter_id"].unique(maintain_order=True)
    if len(meters) > _METERS_FOR_VARIANCES:
        step = len(meters) / _METERS_FOR_VARIANCES
        chosen = meters[[int(k * step) for k in range(_METERS_FOR_VARIANCES)]]
        rows = rows.filter(pl.col("meter_id").is_in(chosen.implode()))
    # Dates are cut finely, so that an unrecorded shift is not taken for wandering of the meters.
    periods = rows.select(pl.struct("vessel_id", "calibrated_on").n_unique()).item()
    design = lay_out(rows, bins_each=max(_BINS_FOR_VARIANCES // periods, 1))
    products, _ = whitened_products(block_steps(design), wander=0.0)
    keep = independent(absorb(products, ratios=np.zeros(1)).products[:-1, :-1])
    if products.rows <= len(keep) + 1:
        return None

    parts = list(block_steps(design, keep=keep))
    tried: dict[float, float] = {}

    def fitted(root: float) -> tuple[float, float]:
        part, log_det = whitened_products(parts, wander=root**2)
        ratio, criterion = fit_one_component(part)
        tried[root] = criterion + log_det
        return tried[root], ratio

    try:
        for root in _ROOT_GRID:
            fitted(root)
        best = min(tried, key=lambda root: tried[root])
        place = _ROOT_GRID.index(best)
        bracket = _ROOT_GRID[max(place - 1, 0)], _ROOT_GRID[min(place + 1, len(_ROOT_GRID) - 1)]
        minimize_scalar(
            lambda root: fitted(float(root))[0],
            bounds=bracket,
            method="bounded",
            options={"xatol": 0.01 * bracket[1], "maxiter": _FINER_STEPS},
        )
        root = _mean_square_root(tried)
        return root**2, fitted(root)[1]
    except ValueError:
        return None  # the sittings fit without error: there is no noise to measure effects by


def _mean_square_root(tried: dict[float, float]) -> float:
    """Return the root mean square of a standard deviation ratio from −2 log-likelihoods.

    The most likely ratio is often 0 for a small fleet, which would promise too narrow intervals.
    The mean of the variance ratio, with a flat prior for the standard deviation, does not.
    """
    roots = np.array(sorted(tried))
    fine = np.linspace(roots[0], roots[-1], 4001)
    criterion = PchipInterpolator(roots, [tried[root] for root in roots])(fine)
    weight = np.exp(-(criterion - criterion.min()) / 2)
    return float(np.sqrt((weight @ fine**2) / weight.sum()))


def independent(gram: Floats) -> Integers:
    """Return the columns of a largest set that is not collinear, in ascending order."""
    size = np.sqrt(np.maximum(np.diag(gram), 0.0))
    if not size.any():
        return np.empty(0, dtype=np.int64)
    used = np.flatnonzero(size > _COLLINEAR * size.max())
    scaled = gram[np.ix_(used, used)] / np.outer(size[used], size[used])
    _, pivots, rank, _ = lapack.dpstrf(scaled, tol=_COLLINEAR)
    return np.sort(used[pivots[:rank] - 1]).astype(np.int64)


def _solve(gram: Floats, right: Floats) -> tuple[Floats, int]:
    """Return one least-squares solution, zero on dropped columns, and the rank."""
    keep = independent(gram)
    estimates = np.zeros(len(right))
    estimates[keep] = np.linalg.solve(gram[np.ix_(keep, keep)], right[keep])
    return estimates, len(keep)
