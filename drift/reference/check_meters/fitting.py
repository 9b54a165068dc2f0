"""This module estimates shifts and trends of series that each have a free level.

Levels wander and drift as those of the fleet's meters do; the variances come from the fleet, the
scatter from the series themselves.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.linalg import cholesky, solve_triangular

from drift.arrays import Floats

_SEEN = 1e-8


@dataclass(frozen=True, slots=True)
class OwnMotion:
    """How a meter's level moves by itself, beside the scatter of one sitting.

    Attributes
    ----------
    wander : float
        Variance of a level's random walk after one year, over that of a sitting.
    drift : float
        Variance of drift rates, per year squared, over that of a sitting.
    """

    wander: float
    drift: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """A shift or a rate with its standard error by scatter alone.

    Attributes
    ----------
    value, error : float
        % air at 5 % air, or per year.
    freedom : int
        Degrees of freedom of the scatter.
    scatter : float
        Standard deviation of one session, % air at 5 % air.
    """

    value: float
    error: float
    freedom: int
    scatter: float


def estimate(
    rows: pl.DataFrame, column: Floats, *, beside: Floats, motion: OwnMotion
) -> Estimate | None:
    """Estimate what goes with a column, by generalised least squares.

    Parameters
    ----------
    rows : pl.DataFrame
        Frame of `drift.reference.check_meters.placing.WITNESS_ROWS`, sorted by series and time.
    column : array (n,)
        What is asked for: 0 before a shift and 1 after it, or the time.
    beside : array (n, k)
        What else may move these rows.
    motion : OwnMotion

    Returns
    -------
    Estimate or None
        None where the rows cannot tell it from their levels and what stands beside it, or where
        nothing is left to tell their scatter by.

    Notes
    -----
    Aitken (1935), Proc. R. Soc. Edinburgh 55, 42–48: each series is whitened by the Cholesky factor
    of its covariance I + wander·min(t, t') + drift·t·t', its level taken out, and the column
    regressed on what is left (Frisch and Waugh 1933, Econometrica 1, 387–401).
    """
    whole = np.column_stack([rows["shift_pct"].to_numpy(), column, beside])
    t_years, place = rows["t_years"].to_numpy(), rows["series"].rle_id().cast(pl.Int64).to_numpy()
    parts = []
    for series in range(int(place.max(initial=-1)) + 1):
        mine = place == series
        parts.append(_without_level(whole[mine], t_years[mine], motion))
    if not parts:
        return None
    levelled = np.concatenate(parts)
    response, asked, others = levelled[:, 0], levelled[:, 1], levelled[:, 2:]
    size = float(np.linalg.norm(column)) or 1.0
    left, rank = _residual(np.column_stack([response, asked]), others)
    pure = left[:, 1]
    strength = float(pure @ pure)
    freedom = len(rows) - len(parts) - rank - 1
    if strength <= (_SEEN * size) ** 2 or freedom < 1:
        return None
    value = float(pure @ left[:, 0]) / strength
    squares = float(((left[:, 0] - value * pure) ** 2).sum())
    scatter = float(np.sqrt(squares / freedom))
    return Estimate(value, scatter / float(np.sqrt(strength)), freedom, scatter)


def _without_level(block: Floats, t_years: Floats, motion: OwnMotion) -> Floats:
    """Whiten the rows of one series and take its level out."""
    t = t_years - t_years[0]
    covariance = (
        np.eye(len(t)) + motion.wander * np.minimum.outer(t, t) + motion.drift * np.outer(t, t)
    )
    root = cholesky(covariance, lower=True)
    white = solve_triangular(root, np.column_stack([np.ones(len(t)), block]), lower=True)
    level = white[:, 0] / np.linalg.norm(white[:, 0])
    return np.asarray(white[:, 1:] - np.outer(level, level @ white[:, 1:]))


def _residual(columns: Floats, others: Floats) -> tuple[Floats, int]:
    """Return columns less what others explain of them, and how many of these there are."""
    if not others.size:
        return columns, 0
    left, values, _ = np.linalg.svd(others, full_matrices=False)
    seen = left[:, values > _SEEN * max(float(values.max(initial=0.0)), 1.0)]
    return columns - seen @ (seen.T @ columns), seen.shape[1]


def rounding_variance(step_pct: float, scatter_pct: float) -> float:
    """Return the variance of what rounding does to a level that many readings are the mean of.

    Parameters
    ----------
    step_pct, scatter_pct : float
        What is read to, and the scatter of one reading, % air.

    Notes
    -----
    The mean of rounded normal readings is off by Σ (−1)ᵏ·step/(πk)·sin(2πk·level/step)·
    exp(−2π²k²σ²/step²) (Fourier series of the sawtooth; Sheppard's corrections are its mean).
    Over levels that lie anywhere its variance is the sum of half the squares: step²/12 without
    scatter, and hardly any from half a step of scatter on.
    """
    k = np.arange(1, 40)
    spread = np.exp(-4 * np.pi**2 * k**2 * (scatter_pct / step_pct) ** 2)
    return float((step_pct**2 / (2 * np.pi**2 * k**2) * spread).sum())
