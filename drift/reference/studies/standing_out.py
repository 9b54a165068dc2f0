"""This module says which operator or meter of a study stands out, by its level or its scatter."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy.special import fdtrc, stdtr, stdtrit

from drift.arrays import Floats
from drift.frames import Schema
from drift.reference.repeatability import largest_rounded_variance

# One row an operator or meter, and what was compared: "level" (its mean less that of the others, %
# air, with limits that hold for all rows of a kind at once) or "scatter" (its standard deviation
# within sittings, % air, against that of the others, without limits).  p is two-sided for levels,
# for "scatters no more than the others" else; p_adjusted is Holm's for all rows of a kind and what.
# compared_over says what the scatter was taken from that a level was held against.
STUDY_EFFECTS: Schema = {
    "kind": pl.String,
    "name": pl.String,
    "what": pl.String,
    "value": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "others": pl.Float64,
    "p": pl.Float64,
    "p_adjusted": pl.Float64,
    "stands_out": pl.Boolean,
    "compared_over": pl.String,
}
LEVEL, SCATTER = "level", "scatter"
CELLS, OWN, SITTINGS, REPLICATES = "crossed", "own", "sittings", "replicates"
_KINDS = {"operator": "operator", "meter_id": "meter"}
# Least scatter in steps of a dial that others are given credit for.
_LEAST = 0.1


@dataclass(frozen=True, slots=True)
class _Fitted:
    """Levels of one kind, their covariance, its degrees of freedom and what was compared."""

    levels: Floats
    covariance: Floats
    freedom: float
    over: str


def find_standing_out(rows: pl.DataFrame, *, level: float = 0.95) -> pl.DataFrame:
    """Compare every operator and every meter of a study with the others.

    Parameters
    ----------
    rows : pl.DataFrame
        One row a reading: ``operator meter_id sitting`` (text), ``value`` (bias less the mean of
        its point, % air) and ``resolution_pct``.
    level : float
        Of the intervals, and 1 less that of being called standing out, for all of one kind.

    Returns
    -------
    pl.DataFrame
        Frame of `STUDY_EFFECTS`; no rows of a kind of which there is one only.

    Notes
    -----
    A level is compared over the means of operator and meter, each mean counting once, so that an
    operator who differs on one meter alone does not stand out for it and replicates do not pass for
    more meters.  The one that differs most from the mean of all others is set apart if it stands
    out, then the rest are compared among themselves, and so on: one who reads high does not make
    the others low.  Two that are left and differ are both told.  Where each operator read meters of
    his own, what these differ by counts as scatter; with one meter the means of sittings, or else
    replicates, are compared.  Scatter is compared as `drift.reference.repeatability` does, as
    rounded readings vary at most.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65–70; intervals are
    Bonferroni's.
    """
    found: list[dict[str, Any]] = []
    for kind, other in (("operator", "meter_id"), ("meter_id", "operator")):
        if rows[kind].n_unique() > 1:
            found += _levels(rows, kind, other, level=level)
            found += _scatters(rows, kind, level=level)
    return pl.DataFrame(found, schema=STUDY_EFFECTS)


def _levels(rows: pl.DataFrame, kind: str, other: str, *, level: float) -> list[dict[str, Any]]:
    """Return the rows of levels of one kind."""
    fitted = next(
        (
            found
            for over, keys, beside in (
                (CELLS, [kind, other], True),
                (OWN, [kind, other], False),
                (SITTINGS, [kind, other, "sitting"], False),
                (REPLICATES, None, False),
            )
            if (found := _fit(rows, kind, other if beside else None, keys=keys, over=over))
        ),
        None,
    )
    if fitted is None:
        return []
    names = rows[kind].unique().sort()
    apart, p, adjusted = _set_apart(fitted, level=level)
    values, errors = _against_others(fitted, apart)
    half = errors * float(stdtrit(fitted.freedom, 1 - (1 - level) / (2 * len(names))))
    return [
        {
            "kind": _KINDS[kind],
            "name": name,
            "what": LEVEL,
            "value": float(values[place]),
            "low": float(values[place] - half[place]),
            "high": float(values[place] + half[place]),
            "others": 0.0,
            "p": float(p[place]),
            "p_adjusted": float(adjusted[place]),
            "stands_out": bool(apart[place]),
            "compared_over": fitted.over,
        }
        for place, name in enumerate(names)
    ]


def _set_apart(fitted: _Fitted, *, level: float) -> tuple[Floats, Floats, Floats]:
    """Return which levels stand out, and the p value of each when it was last compared."""
    count = len(fitted.levels)
    apart = np.zeros(count)
    p, adjusted, reached = np.ones(count), np.ones(count), 0.0
    while count - apart.sum() > 1:
        rest = np.flatnonzero(apart == 0)
        values, errors = _against_others(fitted, apart)
        p[rest] = 2 * stdtr(fitted.freedom, -np.abs(values[rest]) / errors[rest])
        # One found later is never surer than those before it.
        adjusted[rest] = np.maximum(_holm(p[rest]), reached)
        first = rest[np.argmin(p[rest])]
        reached = float(adjusted[first])
        if reached > 1 - level:
            break
        apart[rest if len(rest) == 2 else first] = 1
    return apart, p, adjusted


def _against_others(fitted: _Fitted, apart: Floats) -> tuple[Floats, Floats]:
    """Return each level less the mean of the others that are not set apart, and its error."""
    count = len(fitted.levels)
    others = (apart == 0) if (apart == 0).any() else np.ones(count, dtype=np.bool_)
    weights = np.where(np.eye(count, dtype=np.bool_), 0.0, others.astype(np.float64))
    weights /= np.maximum(weights.sum(axis=1, keepdims=True), 1.0)
    contrast = np.eye(count) - weights
    variance = np.einsum("ij,jk,ik->i", contrast, fitted.covariance, contrast)
    return contrast @ fitted.levels, np.sqrt(variance)


def _fit(
    rows: pl.DataFrame, kind: str, other: str | None, *, keys: list[str] | None, over: str
) -> _Fitted | None:
    """Fit means by one kind, and another beside it; None where that leaves no scatter.

    None too where the other kind is not crossed with it, so that levels cannot be told apart, and
    where nothing scatters at all.
    """
    from statsmodels.regression.linear_model import OLS  # noqa: PLC0415  # a second to load

    means = rows.group_by(keys).agg(pl.col("value").mean()).sort(keys) if keys else rows
    columns, count = _dummies(means[kind]), means[kind].n_unique()
    if other is not None:
        columns = np.column_stack([columns, _dummies(means[other])[:, 1:]])
    if np.linalg.matrix_rank(columns) < columns.shape[1] or len(columns) <= columns.shape[1]:
        return None
    fit = OLS(means["value"].to_numpy(), columns).fit()
    if fit.ssr <= 1e-18:
        return None
    return _Fitted(
        levels=np.asarray(fit.params)[:count],
        covariance=np.asarray(fit.cov_params())[:count, :count],
        freedom=float(fit.df_resid),
        over=over,
    )


def _scatters(rows: pl.DataFrame, kind: str, *, level: float) -> list[dict[str, Any]]:
    """Return the rows of scatter within sittings of one kind; none without replicates."""
    own = (
        rows.group_by("sitting", kind)
        .agg(
            squares=((pl.col("value") - pl.col("value").mean()) ** 2).sum(),
            freedom=pl.len().cast(pl.Float64) - 1,
            step=pl.col("resolution_pct").fill_null(0.0).max(),
        )
        .filter(pl.col("freedom") > 0)
        .group_by(kind)
        .agg(pl.col("squares", "freedom").sum(), pl.col("step").max())
        .sort(kind)
    )
    if own.height < 2 or not own["squares"].sum():
        return []
    squares, freedom, step = (own[name].to_numpy() for name in ("squares", "freedom", "step"))
    rest, left = freedom.sum() - freedom, squares.sum() - squares
    # Over many readings rounding adds δ²/12; the rest is what the others scatter by.
    net = np.maximum(left / rest - step**2 / 12, (_LEAST * step) ** 2)
    expected = np.where(
        step > 0,
        largest_rounded_variance(
            np.sqrt(np.maximum(net, 1e-30)), resolution=np.where(step > 0, step, 1.0)
        ),
        left / rest,
    )
    variance = squares / freedom
    p = fdtrc(freedom, rest, variance / np.maximum(expected, 1e-30))
    return [
        {
            "kind": _KINDS[kind],
            "name": name,
            "what": SCATTER,
            "value": float(mine**0.5),
            "others": float(theirs**0.5),
            "p": float(chance),
            "p_adjusted": float(adjusted),
            "stands_out": bool(adjusted <= 1 - level),
            "compared_over": REPLICATES,
        }
        for name, mine, theirs, chance, adjusted in zip(
            own[kind], variance, left / rest, p, _holm(p), strict=True
        )
    ]


def _dummies(names: pl.Series) -> Floats:
    """Return a column for each name, in their order."""
    levels = names.unique().sort().to_list()
    return np.eye(len(levels))[[levels.index(name) for name in names]]


def _holm(p: Floats) -> Floats:
    """Return the p values adjusted for their number.

    As statsmodels' multipletests, which collects the program's garbage at each call: 0.1 s.
    """
    order = np.argsort(p)
    stepped = np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
