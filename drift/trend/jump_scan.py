"""This module weighs a jump in every step of a path in turn.

All of it is generalised least squares under the covariance of `drift.trend.local_level`, for a
block of series and every ratio of wander to noise at once.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from drift.arrays import Flags, Floats, Integers
from drift.trend import local_level, t_mixtures

# Share of the information that must be left on a step for a jump there to stand apart from the rest
# of the model.
_LEFT = 1e-6


@dataclass(frozen=True, slots=True)
class Scan:
    """Evidence for one more jump in each step of each series of a block.

    Attributes
    ----------
    score : array, shape (steps, series)
        Log marginal likelihood of a jump in that step, up to a constant of the series; −inf where
        it cannot be separated from what is already in the model.
    weight, size, unit_variance, squares : array, shape (steps, series, ratios)
        Posterior weight of each ratio given the jump; its estimate; the variance of that where a
        mean step has variance 1; the sum of squares left.
    freedom : int
        Degrees of freedom of `squares`.
    """

    score: Floats
    weight: Floats
    size: Floats
    unit_variance: Floats
    squares: Floats
    freedom: int


@dataclass(frozen=True, slots=True)
class JumpModel:
    """Generalised least squares of a block, at each ratio, with some columns taken out.

    Attributes
    ----------
    factors : Factors
        Of the covariance V.
    solved, diagonal : array, shape (steps, series, ratios)
        M y and the diagonal of M, where M is V⁻¹ made blind to the columns taken out.
    squares, log_determinant : array, shape (series, ratios)
        yᵀ M y; log determinant of V and of the information on the columns taken out.
    bases : tuple of (array, array)
        For each column taken out, M times it, and it times that, before it was.
    coefficient : array, shape (series, ratios)
        Estimate for the last column, given the others.
    """

    factors: local_level.Factors
    solved: Floats
    diagonal: Floats
    squares: Floats
    log_determinant: Floats
    bases: tuple[tuple[Floats, Floats], ...]
    coefficient: Floats


def start_model(factors: local_level.Factors, step: Floats) -> JumpModel:
    """Return the model with nothing in it."""
    diagonal = np.empty_like(factors.pivots)
    diagonal[-1] = 1 / factors.pivots[-1]
    for k in range(len(diagonal) - 2, -1, -1):
        diagonal[k] = 1 / factors.pivots[k] + factors.links[k + 1] ** 2 * diagonal[k + 1]
    solved = _solve(factors, step)
    squares = (step.T[:, :, None] * solved).sum(axis=0)
    return JumpModel(
        factors=factors,
        solved=solved,
        diagonal=diagonal,
        squares=squares,
        log_determinant=np.log(factors.pivots).sum(axis=0),
        bases=(),
        coefficient=np.zeros_like(squares),
    )


def take_out(model: JumpModel, column: Floats) -> JumpModel:
    """Return the model with one more column, shape (series, steps), explained by it."""
    across = column.T[:, :, None]
    base = _solve(model.factors, column)
    for earlier, information in model.bases:
        base = base - earlier * ((across * earlier).sum(axis=0) / information)
    information = (across * base).sum(axis=0)
    coefficient = (across * model.solved).sum(axis=0) / information
    return JumpModel(
        factors=model.factors,
        solved=model.solved - base * coefficient,
        diagonal=model.diagonal - base * base / information,
        squares=model.squares - information * coefficient**2,
        log_determinant=model.log_determinant + np.log(information),
        bases=(*model.bases, (base, information)),
        coefficient=coefficient,
    )


def _solve(factors: local_level.Factors, column: Floats) -> Floats:
    """Return V⁻¹ times a column, shape (steps, series, ratios)."""
    solved = local_level.whiten_steps(factors, column) / factors.pivots
    for k in range(len(solved) - 2, -1, -1):
        solved[k] -= factors.links[k + 1] * solved[k + 1]
    return solved


def one_hot(jump: Integers, steps: int) -> Floats:
    """Return the column of a jump in step `jump` of each series, shape (series, steps)."""
    column: Floats = (np.arange(steps) == jump[:, None]).astype(np.float64)
    return column


def scan_jumps(
    years: Floats,
    step: Floats,
    shares_start: Flags,
    *,
    weights: Floats,
    floor: Floats,
    known: Integers | None = None,
    with_drift: bool = True,
) -> Scan:
    """Give every step of every series of a block a jump of its own in turn.

    Parameters
    ----------
    years, step, shares_start : array, shape (series, steps)
        As in `drift.trend.local_level.fit_slopes`; at least two steps more than `known` jumps.
    weights : array, shape (ratios,) or (series, ratios)
        Of `drift.trend.local_level.RATIOS`.
    floor : array, shape (series,)
        Variance of a step below which the scale is not believed.
    known : array of int, shape (series, jumps), optional
        Steps that hold a jump already.
    with_drift : bool
        Whether the path may climb besides.
    """
    model = start_model(local_level.factor_covariance(years, shares_start), step)
    whole = model.diagonal
    if with_drift:
        model = take_out(model, years)
    for jump in () if known is None else known.T:
        model = take_out(model, one_hot(jump, step.shape[1]))
    left = model.diagonal > _LEFT * whole
    variance = 1 / np.where(left, model.diagonal, 1.0)
    size = model.solved * variance
    freedom = step.shape[1] - len(model.bases) - 1
    squares = np.maximum(model.squares - model.solved * size, local_level.LEAST_SQUARES)
    squares = np.maximum(squares, freedom * floor[:, None])
    log_joint = np.where(
        left,
        (np.log(variance) - model.log_determinant - freedom * np.log(squares)) / 2
        + np.log(weights),
        -np.inf,
    )
    peak = log_joint.max(axis=(0, 2), keepdims=True)
    joint = np.exp(log_joint - peak)
    total = joint.sum(axis=2)
    with np.errstate(divide="ignore"):  # a step where no jump can be told has no likelihood
        score = np.log(total)
    weight = joint / np.where(total > 0, total, 1.0)[:, :, None]
    return Scan(score, weight, size, variance, squares, freedom)


def size_of(scan: Scan, jump: Integers) -> t_mixtures.Mixtures:
    """Return the size of a jump in step `jump` of each series."""
    here = (jump, np.arange(jump.size))
    return t_mixtures.Mixtures(
        weight=scan.weight[here],
        centre=scan.size[here],
        scale=np.sqrt(scan.unit_variance[here] * scan.squares[here] / scan.freedom),
        freedom=float(scan.freedom),
    )


def likely_steps(scan: Scan, found: Floats, *, level: float) -> tuple[Integers, Integers]:
    """Return the first and the last of the most likely steps for a jump of about a known size.

    Parameters
    ----------
    scan : Scan
    found : array, shape (series,)
        Size of the jump at its most likely place.
    level : float
        The steps returned hold 1 − `level` of the posterior of the place, given that the jump
        goes the way of `found` and is at least half as large: otherwise every place would keep
        a share for the jump of no size.

    Returns
    -------
    tuple of two arrays, each of shape (series,)
    """
    way = np.sign(found)[:, None]
    scale = np.sqrt(scan.unit_variance * scan.squares / scan.freedom)
    beyond = special.stdtr(scan.freedom, (way * scan.size - np.abs(found[:, None]) / 2) / scale)
    large = (scan.weight * beyond).sum(axis=2)
    share = np.exp(scan.score - scan.score.max(axis=0)) * large
    share = share / share.sum(axis=0)
    order = np.argsort(-share, axis=0, kind="stable")
    before = np.take_along_axis(share, order, axis=0).cumsum(axis=0)
    before = np.concatenate([np.zeros((1, share.shape[1])), before[:-1]])
    held = before < 1 - level
    earliest = np.where(held, order, len(share)).min(axis=0)
    return earliest, np.where(held, order, -1).max(axis=0)
