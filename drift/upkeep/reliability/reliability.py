"""This module says what shares of checks passed prove, and turns them into intervals.

The interval arithmetic at its end is that of the exponential and the Weibull law, and of a rule
that lengthens an interval after each pass and shortens it after each failure.
"""

import numpy as np
import numpy.typing as npt
import polars as pl

from drift.arrays import Floats
from drift.frames import Schema

# One row per scope (``fleet``, ``like``, ``meter``) and name.  A check is a visit that ends a
# period begun in tolerance; passes of them found the meter in tolerance still.  low to high is
# the exact two-sided interval of the reliability, proven its exact one-sided lower bound at the
# same confidence.  days is the median length of the periods.  alike_p is for "the meters pooled
# here pass equally often", null where there is one meter or nothing to compare.
RELIABILITY: Schema = {
    "scope": pl.String,
    "name": pl.String,
    "meters": pl.Int64,
    "checks": pl.Int64,
    "passes": pl.Int64,
    "reliability": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "proven": pl.Float64,
    "days": pl.Float64,
    "alike_p": pl.Float64,
}

# Shuffles behind a p value of "the meters pass equally often"; their number bounds it below.  A
# large fleet is shuffled less often, for so many numbers in all.
_SHUFFLES, _FEWEST_SHUFFLES, _SHUFFLED = 1999, 199, 2_000_000
_SEED = 20_000_101


def binomial_interval(
    passes: npt.ArrayLike, checks: npt.ArrayLike, *, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the exact two-sided interval of a share of checks passed.

    Parameters
    ----------
    passes, checks : array_like of int
        Shapes that broadcast; 0 ≤ passes ≤ checks.
    confidence : float
        Over 0 and under 1.

    Returns
    -------
    low, high : array
        0 to 1 where there is no check.

    Raises
    ------
    ValueError
        If a count or `confidence` is out of range.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26, 404–413, as quantiles of beta distributions.
    """
    return _exact(passes, checks, confidence=confidence, alternative="two-sided")


def proven_reliability(
    passes: npt.ArrayLike, checks: npt.ArrayLike, *, confidence: float = 0.95
) -> Floats:
    """Return the exact one-sided lower bound of a share of checks passed.

    Without a failure it is (1 − confidence)^(1/checks): 8 passes out of 8 prove 69 % at 95 %.
    Parameters and errors are those of `binomial_interval`.
    """
    return _exact(passes, checks, confidence=confidence, alternative="smaller")[0]


def _exact(
    passes: npt.ArrayLike, checks: npt.ArrayLike, *, confidence: float, alternative: str
) -> tuple[Floats, Floats]:
    """Return the exact bounds of a share, 0 and 1 where there is no check."""
    # A second to load, and commands that prove nothing do without.
    from statsmodels.stats.proportion import proportion_confint  # noqa: PLC0415

    k, n = np.broadcast_arrays(*_counts(passes, checks))
    low, high = np.zeros(k.shape), np.ones(k.shape)
    seen = n > 0
    if seen.any():
        low[seen], high[seen] = proportion_confint(
            *(k[seen], n[seen]),
            alpha=1 - _level(confidence),
            method="beta",
            alternative=alternative,
        )
    return low, high


def passes_needed(target: float, *, confidence: float = 0.95) -> int:
    """Return how many checks, all passed, prove a reliability of `target`.

    Raises
    ------
    ValueError
        If `target` or `confidence` is not over 0 and under 1.
    """
    exact = np.log1p(-_level(confidence)) / np.log(_target(target))
    # A whole number that a float missed by its last digits is meant.
    return int(np.ceil(exact - 1e-9))


def end_of_period_reliability(
    periods: pl.DataFrame, groups: pl.DataFrame, *, confidence: float = 0.95, whole: bool = True
) -> pl.DataFrame:
    """Return the reliability at the end of the period: fleet, similar meters and each meter.

    Parameters
    ----------
    periods : pl.DataFrame
        Of `drift.upkeep.reliability.censored_intervals.periods_of`.
    groups : pl.DataFrame
        ``meter_id`` and ``name`` of the groups of similar meters it belongs to, one row each; a
        meter may be absent or its name null.
    confidence : float
        Of the interval and of the bound.
    whole : bool
        Whether these are all meters of the fleet, so that something can be said of it.

    Returns
    -------
    pl.DataFrame
        Columns of `RELIABILITY`, fleet first, then similar meters and meters by name.

    Notes
    -----
    Meters are pooled as if their checks were alike and independent; ``alike_p`` says whether
    the failures lie more unevenly over the meters than shuffling them would (exact conditional
    test of the Pearson statistic by shuffles from a fixed seed: 1999, fewer for over 1000 meters,
    so that p is never below 0.0005).
    """
    grouped = periods.join(groups.select("meter_id", "name").drop_nulls("name"), on="meter_id")
    parts = [
        periods.filter(pl.lit(whole)).with_columns(scope=pl.lit("fleet"), name=pl.lit("fleet")),
        grouped.with_columns(scope=pl.lit("like")),
        periods.with_columns(scope=pl.lit("meter"), name="meter_id"),
    ]
    by_meter = (
        pl.concat(parts, how="diagonal")
        .group_by("scope", "name", "meter_id")
        .agg(
            checks=pl.len().cast(pl.Int64),
            passes=pl.col("passed").sum().cast(pl.Int64),
            days="days",
        )
    )
    order = pl.col("scope").replace_strict({"fleet": 0, "like": 1, "meter": 2})
    frame = (
        by_meter.sort("meter_id")
        .group_by("scope", "name", maintain_order=True)
        .agg(
            pl.col("checks", "passes").sum(),
            meters=pl.len().cast(pl.Int64),
            days=pl.col("days").explode().median(),
            each_checks="checks",
            each_passes="passes",
        )
        .sort(order, "name")
    )
    low, high = binomial_interval(frame["passes"], frame["checks"], confidence=confidence)
    proven = proven_reliability(frame["passes"], frame["checks"], confidence=confidence)
    alike = [
        alike_p(np.array(passes), np.array(checks))
        for passes, checks in frame.select("each_passes", "each_checks").iter_rows()
    ]
    return (
        frame.with_columns(
            reliability=pl.col("passes") / pl.col("checks"),
            low=pl.Series(low),
            high=pl.Series(high),
            proven=pl.Series(proven),
            alike_p=pl.Series(alike, dtype=pl.Float64),
        )
        .select(RELIABILITY.keys())
        .cast(RELIABILITY)  # type: ignore[arg-type]  # names to types
    )


def alike_p(passes: npt.NDArray[np.int64], checks: npt.NDArray[np.int64]) -> float | None:
    """Return the p value of "these meters pass equally often", None where none can be given.

    Parameters
    ----------
    passes, checks : array of int, shape (meters,)
        Of each meter.

    Notes
    -----
    Given all the checks and failures, which checks failed is a shuffle under the hypothesis, so
    failures by meter are multivariate hypergeometric.  Pearson's Σ (failures − expected)² /
    expected, with expected in proportion to the checks, is compared with shuffles of a fixed seed.
    """
    failures = checks - passes
    total, lost = int(checks.sum()), int(failures.sum())
    if checks.size < 2 or lost in {0, total}:
        return None
    expected = lost * checks / total
    rng = np.random.default_rng(_SEED)
    shuffles = min(_SHUFFLES, max(_FEWEST_SHUFFLES, _SHUFFLED // checks.size))
    # The draws depend on the order of meters, which must not be that of their names.
    order = np.lexsort((failures, checks))
    checks, failures, expected = checks[order], failures[order], expected[order]
    drawn = rng.multivariate_hypergeometric(checks, lost, size=shuffles, method="marginals")
    seen = float(((failures - expected) ** 2 / expected).sum())
    shuffled = ((drawn - expected) ** 2 / expected).sum(axis=1)
    return float((1 + (shuffled >= seen - 1e-9).sum()) / (1 + shuffles))


def exponential_interval(
    interval: npt.ArrayLike, *, observed: npt.ArrayLike, target: float
) -> Floats:
    """Return the interval at which an exponential reliability is `target`.

    Parameters
    ----------
    interval : array_like
        Present interval, any unit of time.
    observed : array_like
        Reliability at its end, 0 to 1.
    target : float
        Reliability wanted, over 0 and under 1.

    Returns
    -------
    array
        In the unit of `interval`; infinite where `observed` is 1, 0 where it is 0.

    Raises
    ------
    ValueError
        If an argument is out of range.

    References
    ----------
    R(t) = exp(−λt), so the interval is interval · ln target / ln observed; the target as in NASA
    RP-1342: the best interval is the time at which R(t) falls to the target.
    """
    return weibull_interval(interval, observed=observed, target=target, shape=1.0)


def weibull_interval(
    interval: npt.ArrayLike, *, observed: npt.ArrayLike, target: float, shape: float
) -> Floats:
    """Return the interval at which a Weibull reliability of known shape is `target`.

    As `exponential_interval`, with interval · (ln target / ln observed)^(1/shape); `shape` is
    over 0, and over 1 where failures become more frequent as time goes by.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    now = np.asarray(interval, dtype=np.float64)
    seen = np.asarray(observed, dtype=np.float64)
    if not (now > 0).all():
        raise ValueError("interval must be over 0")
    if not ((seen >= 0) & (seen <= 1)).all():
        raise ValueError("observed must lie from 0 to 1")
    if not shape > 0:
        raise ValueError(f"shape is {shape}; expected over 0")
    with np.errstate(divide="ignore"):
        hazard = -np.log(seen)
        ratio = -np.log(_target(target)) / np.abs(hazard)
    return np.asarray(now * ratio ** (1 / shape), dtype=np.float64)


def settled_reliability(*, extension: float, reduction: float) -> float:
    """Return the share of passes at which a rule with these two factors settles.

    The inverse of `reduction_factor`; `reduction` is over 0 and under 1.

    Raises
    ------
    ValueError
        If an argument is out of range.
    """
    if not extension > 0:
        raise ValueError(f"extension is {extension}; expected over 0")
    if not 0 < reduction < 1:
        raise ValueError(f"reduction is {reduction}; expected over 0 and under 1")
    shorter, longer = -np.log1p(-reduction), np.log1p(extension)
    return float(shorter / (shorter + longer))


def _counts(passes: npt.ArrayLike, checks: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return counts as numbers, or raise."""
    k, n = np.asarray(passes, dtype=np.float64), np.asarray(checks, dtype=np.float64)
    if not ((k >= 0) & (k <= n)).all():
        raise ValueError("passes must lie from 0 to the number of checks")
    return k, n


def _level(confidence: float) -> float:
    """Return a confidence, or raise."""
    if not 0 < confidence < 1:
        raise ValueError(f"confidence is {confidence}; expected over 0 and under 1")
    return confidence


def _target(target: float) -> float:
    """Return a target, or raise."""
    if not 0 < target < 1:
        raise ValueError(f"target is {target}; expected over 0 and under 1")
    return target
