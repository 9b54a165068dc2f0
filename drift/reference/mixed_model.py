"""This module fits linear mixed models with crossed random effects by REML.

The model is y = Zg·bg + R·c + e.  The *group* effects bg (one or a few per meter, each coefficient
with its own variance) are many and absorbed block by block; the *rest* columns R (vessels,
operators, fixed effects) are few and dense.  All that the fit needs are sums of products, so that
its cost per step does not depend on the number of rows.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize, minimize_scalar

from drift.arrays import Floats, Integers

FIXED = -1

# Starting standard deviations relative to the residual one; a zero is left again, see `_climb`.
_STARTS = (0.1, 0.5, 2.0)
_RESTART = 0.05
_ZERO = 1e-5
_LARGEST = 1e4
_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class CrossProducts:
    """Sums of products of a mixed model's columns.

    Attributes
    ----------
    group : array (n_groups, c, c)
        Zg'Zg of each group.
    cross : array (n_groups, c, m + 1)
        Zg'[R y] of each group.
    rest : array (m + 1, m + 1)
        [R y]'[R y].
    rows : int
        Number of rows summed.
    """

    group: Floats
    cross: Floats
    rest: Floats
    rows: int


@dataclass(frozen=True, slots=True)
class RemlFit:
    """A mixed model fitted by REML.

    Attributes
    ----------
    group_variances : array (c,)
        Variance of each group coefficient, in units of y² over units of its column².
    rest_variances : array (n_components,)
        Variance of each random component of the rest columns.
    residual_variance : float
        Residual variance, units of y².
    criterion : float
        −2 times the REML log-likelihood, with the constants of Bates et al. (2015).
    estimates : array (m,)
        Fixed effects and predicted random effects (BLUPs), in the order of the rest columns.
    covariance : array (m, m)
        Covariance of estimate minus truth; of the fixed effects it is that of the estimates.  It
        takes the variances as known.
    converged : bool
        Whether the best start ended at a point where the bounded first-order conditions hold.
    """

    group_variances: Floats
    rest_variances: Floats
    residual_variance: float
    criterion: float
    estimates: Floats
    covariance: Floats
    converged: bool


@dataclass(frozen=True, slots=True)
class Absorbed:
    """Rest columns and response after the group effects are absorbed, at given variances.

    Attributes
    ----------
    products : array (m + 1, m + 1)
        [R y]' Vg⁻¹ [R y] with Vg = I + Zg Φ Zg'.
    log_det : float
        log |Vg|.
    """

    products: Floats
    log_det: float


def cross_products(
    response: Floats, *, group: Integers, group_design: Floats, columns: Floats
) -> CrossProducts:
    """Sum the products that `fit_reml` needs.

    Parameters
    ----------
    response : array (n,)
    group : int array (n,)
        Group of each row, 0 to n_groups − 1, each at least once.
    group_design : array (n, c)
        Column of each group coefficient; ones for an intercept.
    columns : array (n, m)
        The rest columns, random and fixed.
    """
    rest = np.column_stack([columns, response])
    z = group_design
    if np.any(np.diff(group) < 0):
        order = np.argsort(group, kind="stable")
        group, z, rest = group[order], z[order], rest[order]
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    width = range(z.shape[1])
    inner = np.stack([np.add.reduceat(z * z[:, [i]], starts, axis=0) for i in width], axis=1)
    cross = np.stack([np.add.reduceat(rest * z[:, [i]], starts, axis=0) for i in width], axis=1)
    return CrossProducts(group=inner, cross=cross, rest=rest.T @ rest, rows=len(rest))


def join_products(parts: Sequence[CrossProducts]) -> CrossProducts:
    """Join products of disjoint sets of groups that have the same columns."""
    return CrossProducts(
        group=np.concatenate([part.group for part in parts]),
        cross=np.concatenate([part.cross for part in parts]),
        rest=np.sum([part.rest for part in parts], axis=0),
        rows=sum(part.rows for part in parts),
    )


def absorb(products: CrossProducts, *, ratios: Floats) -> Absorbed:
    """Absorb the group effects at given variance ratios (group over residual variance), (c,)."""
    inverse, log_det = _group_inverse(products, ratios)
    flat = products.cross.reshape(-1, products.cross.shape[2])
    weighted = (inverse @ products.cross).reshape(flat.shape)
    return Absorbed(products=products.rest - flat.T @ weighted, log_det=log_det)


def fit_reml(products: CrossProducts, *, components: Sequence[int]) -> RemlFit:
    """Fit a mixed model by bounded, profiled REML.

    Parameters
    ----------
    products : CrossProducts
    components : sequence of int, length m
        For each rest column `FIXED` or the number of its variance component, 0 upwards.

    Returns
    -------
    RemlFit

    Raises
    ------
    ValueError
        If there are no more rows than fixed effects, the fixed columns are collinear, or the
        fixed effects fit the response without error.

    Notes
    -----
    The criterion is minimised over relative standard deviations θ ≥ 0 with the exact gradient,
    from several starts.  θ = 0 is a stationary point in θ even where the variance wants to grow, so
    a zero is accepted only if the derivative with respect to θ² is not negative there.

    References
    ----------
    Bates, Mächler, Bolker & Walker (2015), Fitting linear mixed-effects models, Journal of
    Statistical Software 67(1), section 3.4 (profiled REML criterion).  Searle, Casella &
    McCulloch (1992), Variance Components, chapter 6 (gradient).
    """
    codes = np.asarray(components, dtype=np.int64)
    _check(products, codes)
    scales = _scales(products, codes)
    best: tuple[float, Floats, bool] | None = None
    for start in _STARTS:
        found = _climb(products, codes, scales, np.full(len(scales), start))
        if best is None or found[0] < best[0] - 1e-9 or (found[2] and not best[2]):
            best = found
    if best is None:
        raise ValueError("no start was tried")
    return _finish(products, codes, (best[1] / scales) ** 2, converged=best[2])


def fit_one_component(products: CrossProducts) -> tuple[float, float]:
    """Fit a model with one random coefficient per group and every rest column fixed.

    Parameters
    ----------
    products : CrossProducts
        With one group coefficient; up to some hundred groups.

    Returns
    -------
    ratio : float
        Variance of the group coefficient over the residual variance, 0 where that is best.
    criterion : float
        REML criterion, as in `RemlFit`.

    Raises
    ------
    ValueError
        As `fit_reml`.

    Notes
    -----
    With the fixed effects projected out and K = Z'MZ = UΛU', the criterion at a ratio φ is
    log |X'X| + Σ log(1 + φλ) + (n − p)(1 + log(2π s/(n − p))), s = y'My − φ Σ (u'Z'My)²/(1 + φλ):
    one eigenvalue decomposition serves every φ, and the whole range of φ is searched.

    References
    ----------
    Kang et al. (2008), Genetics 178, 1709–1723, appendix (spectral form of the REML criterion).
    """
    fixed = products.cross.shape[2] - 1
    _check(products, np.full(fixed, FIXED, dtype=np.int64))
    factor = cho_factor(products.rest[:-1, :-1], lower=True)
    log_det = 2 * float(np.log(np.diag(factor[0])).sum())
    cross = products.cross[:, 0, :]
    weighted = cho_solve(factor, np.column_stack([cross[:, :-1].T, products.rest[:-1, -1]]))
    gram = np.diag(products.group[:, 0, 0]) - cross[:, :-1] @ weighted[:, :-1]
    right = cross[:, -1] - cross[:, :-1] @ weighted[:, -1]
    squares = float(products.rest[-1, -1] - products.rest[:-1, -1] @ weighted[:, -1])
    values, vectors = np.linalg.eigh(gram)
    values = np.maximum(values, 0.0)
    loads = (vectors.T @ right) ** 2
    freedom = products.rows - fixed

    def criterion(ratios: Floats) -> Floats:
        grown = 1 + ratios[:, None] * values
        left = squares - ratios * (loads / grown).sum(axis=1)
        if np.any(left <= 1e-13 * products.rest[-1, -1]):
            raise ValueError("the columns must not fit the response without error")
        spread = freedom * (1 + np.log(2 * np.pi * left / freedom))
        return np.asarray(log_det + np.log(grown).sum(axis=1) + spread)

    logs = np.linspace(-12, 12, 97) - np.log(max(float(values.mean()), 1e-300))
    coarse = criterion(np.exp(logs))
    best = int(np.argmin(coarse))
    finer = minimize_scalar(
        lambda log: float(criterion(np.exp([log]))[0]),
        bounds=(logs[max(best - 1, 0)], logs[min(best + 1, len(logs) - 1)]),
        method="bounded",
        options={"xatol": 1e-8},
    )
    at_zero = float(criterion(np.zeros(1))[0])
    return (0.0, at_zero) if at_zero <= finer.fun else (float(np.exp(finer.x)), float(finer.fun))


def _check(products: CrossProducts, codes: Integers) -> None:
    """Raise where the model cannot be fitted."""
    fixed = np.flatnonzero(codes == FIXED)
    if products.rows <= len(fixed):
        raise ValueError(f"{products.rows} rows must be more than {len(fixed)} fixed effects")
    gram = products.rest[np.ix_(fixed, fixed)]
    size = np.sqrt(np.diag(gram))
    if len(fixed) and (not size.all() or np.linalg.cond(gram / np.outer(size, size)) > 1e12):
        raise ValueError("fixed columns must not be collinear")


def _scales(products: CrossProducts, codes: Integers) -> Floats:
    """Return the root mean square of each component's column, so that every θ is of one size."""
    rows = products.rows
    group = np.sqrt(np.einsum("gii->i", products.group) / rows)
    squares = np.diag(products.rest)[:-1]
    parts = [squares[codes == j].sum() / rows for j in range(codes.max(initial=FIXED) + 1)]
    scales = np.concatenate([group, np.sqrt(np.asarray(parts, dtype=np.float64))])
    return np.where(scales > 0, scales, 1.0)


def _climb(
    products: CrossProducts, codes: Integers, scales: Floats, start: Floats
) -> tuple[float, Floats, bool]:
    """Minimise from one start; leave every zero once whose variance wants to grow."""

    def objective(theta: Floats) -> tuple[float, Floats]:
        value, slope = _criterion(products, codes, (theta / scales) ** 2)
        return value, 2 * theta * slope / scales**2

    theta, converged, value = start, False, np.inf
    for _ in range(_ROUNDS):
        result = minimize(
            objective,
            theta,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, _LARGEST)] * len(theta),
            options={"ftol": 1e-14, "gtol": 1e-7, "maxiter": 200},
        )
        theta = np.where(result.x < _ZERO, 0.0, result.x)
        value, slope = _criterion(products, codes, (theta / scales) ** 2)
        wants_to_grow = (theta == 0) & (slope / scales**2 < -1e-6)
        converged = bool(np.all(np.abs(2 * theta * slope / scales**2) < 1e-3))
        converged &= not wants_to_grow.any()
        if not wants_to_grow.any():
            break
        theta = np.where(wants_to_grow, _RESTART, theta)
    return value, theta, converged


def _group_inverse(products: CrossProducts, ratios: Floats) -> tuple[Floats, float]:
    """Return Λ(ΛZ'ZΛ + I)⁻¹Λ of each group and log |Vg|."""
    root = np.sqrt(ratios)
    scaled = products.group * np.outer(root, root) + np.eye(len(root))
    log_det = float(np.linalg.slogdet(scaled)[1].sum())
    return np.linalg.inv(scaled) * np.outer(root, root), log_det


def _rest_inverse(
    products: Floats, codes: Integers, ratios: Floats
) -> tuple[Floats, float, npt.NDArray[np.bool_]]:
    """Return D(DQD + J)⁻¹D of the rest columns and the log determinant of its middle."""
    random = codes != FIXED
    root = np.ones(len(codes))
    root[random] = np.sqrt(ratios[codes[random]])
    middle = products[:-1, :-1] * np.outer(root, root) + np.diag(random.astype(np.float64))
    factor = cho_factor(middle, lower=True)
    log_det = 2 * float(np.log(np.diag(factor[0])).sum())
    inverse = cho_solve(factor, np.eye(len(codes)))
    return inverse * np.outer(root, root), log_det, random


def _criterion(products: CrossProducts, codes: Integers, ratios: Floats) -> tuple[float, Floats]:
    """Return the profiled REML criterion and its gradient at variance ratios."""
    width = products.group.shape[1]
    inverse, log_det_group = _group_inverse(products, ratios[:width])
    weighted = inverse @ products.cross
    flat = products.cross.reshape(-1, products.cross.shape[2])
    absorbed = products.rest - flat.T @ weighted.reshape(flat.shape)
    rest, log_det_rest, random = _rest_inverse(absorbed, codes, ratios[width:])
    right = absorbed[:-1, -1]
    estimates = rest @ right
    squares = float(absorbed[-1, -1] - right @ estimates)
    freedom = products.rows - int((~random).sum())
    if squares <= 1e-13 * products.rest[-1, -1]:
        raise ValueError("the columns must not fit the response without error")
    value = log_det_group + log_det_rest
    value += freedom * (1 + np.log(2 * np.pi * squares / freedom))
    # Gradient: trace(Z'PZ) − (n − p)·|Z'Py|²/y'Py for each component.
    gram = absorbed[:-1, :-1]
    information = np.diag(gram) - ((gram @ rest) * gram).sum(axis=1)
    slopes = information - freedom * (right - gram @ estimates) ** 2 / squares
    by_rest = np.bincount(codes[random], slopes[random], minlength=len(ratios) - width)
    remaining = products.cross - products.group @ weighted
    columns = remaining[:, :, :-1]
    block = products.group - products.group @ inverse @ products.group
    information = np.einsum("gii->gi", block) - ((columns @ rest) * columns).sum(axis=2)
    score = remaining[:, :, -1] - columns @ estimates
    by_group = (information - freedom * score**2 / squares).sum(axis=0)
    return value, np.concatenate([by_group, by_rest])


def _finish(
    products: CrossProducts, codes: Integers, ratios: Floats, *, converged: bool
) -> RemlFit:
    """Turn the variance ratios of the minimum into a fit."""
    width = products.group.shape[1]
    absorbed = absorb(products, ratios=ratios[:width]).products
    rest, _, random = _rest_inverse(absorbed, codes, ratios[width:])
    right = absorbed[:-1, -1]
    estimates = rest @ right
    freedom = products.rows - int((~random).sum())
    variance = float(absorbed[-1, -1] - right @ estimates) / freedom
    return RemlFit(
        group_variances=ratios[:width] * variance,
        rest_variances=ratios[width:] * variance,
        residual_variance=variance,
        criterion=_criterion(products, codes, ratios)[0],
        estimates=estimates,
        covariance=rest * variance,
        converged=converged,
    )
