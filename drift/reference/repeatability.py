"""This module says how far readings of one sitting scatter, fleet-wide where meters are alike."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import chdtr, fdtrc, ndtr

from drift.arrays import Floats
from drift.frames import Schema
from drift.limits.baseline import set_baseline
from drift.limits.rounding.cells import sheppard_sigma
from drift.limits.rounding.observations import observe_visits, read_readings
from drift.limits.rounding.replicate_spread import pooled_within

# One row per meter: the standard deviation of one of its readings before rounding, % air, its
# degrees of freedom and where it comes from: "fleet" (pooled over similar meters), "own" (the meter
# scatters more than they do), "differences" (no replicates anywhere: an upper bound by how visits
# in succession differ) or "assumed" (nor do differences exclude the usual value; degrees of
# freedom null).
REPEATABILITY: Schema = {
    "meter_id": pl.String,
    "repeatability_pct": pl.Float64,
    "degrees_of_freedom": pl.Float64,
    "basis": pl.String,
}
FLEET, OWN, DIFFERENCES, ASSUMED = "fleet", "own", "differences", "assumed"

# Scatter of one reading where no replicates tell, % air (common practice, no source).
USUAL_REPEATABILITY_PCT = 0.03
# Chance that differences exclude the usual scatter where it is the true one.
_EXCLUDED_LEVEL = 0.05
# Sittings from which the pooled value is estimated; enough to know it to 2 %.
_MOST_SITTINGS = 1500
# Standard deviations within which all readings lie.
_REACH = 8.0
# Ratio of scatter to step from which rounding adds δ²/12 wherever the reading lies, and the least
# ratio that the meters of a coarse dial are given credit for.
_FINE, _LEAST = 3.0, 0.1
_STAGES = ("as_found", "as_left")


@dataclass(frozen=True, slots=True)
class PooledScatter:
    """What meters that stand for a fleet say of its repeatability.

    Attributes
    ----------
    sd, freedom, basis
        As of `REPEATABILITY`, of the meters that are alike.
    net, degrees : float
        Sum of squares of their replicates less what rounding adds, and its degrees of freedom.
    tested : int
        Meters of the fleet that are tested.
    meters : frozenset of str
        Those it was learnt from.
    """

    sd: float
    freedom: float | None
    basis: str
    net: float
    degrees: float
    tested: int
    meters: frozenset[str]


def learn_repeatability(ledger: pl.DataFrame, *, tested: int, level: float = 0.05) -> PooledScatter:
    """Learn the repeatability of a fleet from meters that stand for it.

    Parameters
    ----------
    ledger, level
        As for `pool_repeatability`.
    tested : int
        Meters of the fleet.
    """
    sittings = _replicates(ledger)
    sums = _sums(sittings)
    meters = _unlike(sums, level=level)
    alike = sittings.join(meters.filter("unlike"), on="meter_id", how="anti")
    sd, freedom, basis = _of_the_fleet(alike, ledger)
    return PooledScatter(
        sd=sd,
        freedom=freedom,
        basis=basis,
        net=float(_net(sums).sum()),
        degrees=float(sums["freedom"].sum()),
        tested=tested,
        meters=frozenset(ledger["meter_id"]),
    )


def pool_repeatability(
    ledger: pl.DataFrame, *, level: float = 0.05, of: PooledScatter | None = None
) -> pl.DataFrame:
    """Estimate the repeatability of every meter.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    level : float
        Chance that any meter of a fleet of like ones is found to scatter more than the rest.
    of : PooledScatter or None
        Of the fleet that these are some meters of; None where they are all of it.

    Returns
    -------
    pl.DataFrame
        Frame of `REPEATABILITY`, sorted by meter.

    Notes
    -----
    The pooled value is found by the rounding likelihood, so that a coarse dial neither hides nor
    adds scatter.  A meter is set apart where an F test finds its replicates to vary more than the
    pooled value would make them on its dial, wherever between two steps its readings lie; the level
    is divided by the number of meters.  It keeps its own standard deviation less the rounding.

    References
    ----------
    Pooling by an F test: NIST SOP 20 (read in extracts); the F test of two variances is standard.
    """
    sittings = _replicates(ledger)
    meters = _unlike(_sums(sittings), level=level, of=of)
    if of is None:
        alike = sittings.join(meters.filter("unlike"), on="meter_id", how="anti")
        fleet, freedom, name = _of_the_fleet(alike, ledger)
    else:
        fleet, freedom, name = of.sd, of.freedom, of.basis
    apart = pl.col("unlike").fill_null(value=False)
    return (
        ledger.select("meter_id")
        .unique()
        .join(meters, on="meter_id", how="left")
        .select(
            "meter_id",
            repeatability_pct=pl.when(apart).then("own_sd").otherwise(fleet),
            degrees_of_freedom=pl.when(apart).then("freedom").otherwise(freedom),
            basis=pl.when(apart).then(pl.lit(OWN)).otherwise(pl.lit(name)),
        )
        .cast(REPEATABILITY)  # type: ignore[arg-type]  # names to types
        .sort("meter_id")
    )


def _of_the_fleet(alike: pl.DataFrame, ledger: pl.DataFrame) -> tuple[float, float | None, str]:
    """Return the repeatability of meters that are alike, its freedom and where it comes from."""
    fleet, freedom = _pooled(alike)
    if fleet is not None:
        return fleet, freedom, FLEET
    fleet, freedom = bound_by_differences(ledger)
    return fleet, freedom, ASSUMED if freedom is None else DIFFERENCES


def bound_by_differences(ledger: pl.DataFrame) -> tuple[float, float | None]:
    """Return the scatter of a reading to reckon with where there are no replicates.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.

    Returns
    -------
    sd : float
        The usual one, % air, or less where steps from visit to visit exclude it.
    freedom : float or None
        Its degrees of freedom; None where the usual one is assumed.

    Notes
    -----
    A step is the difference of two readings plus whatever the meter did in between, so that half
    its mean square is an upper bound of a reading's variance.  Steps in succession share a reading:
    m of them count as 2m²/(3m − 1) degrees of freedom.  Scatter below the rounding of the dial,
    δ/√12, cannot be claimed.

    References
    ----------
    Mean square successive difference and its variance: von Neumann, Kent, Bellinson and Hart
    (1941), Annals of Mathematical Statistics 12, 153–162 (from memory).
    """
    steps = ledger.drop_nulls("drift_step_pct").select(
        "series", "resolution_pct", square=pl.col("drift_step_pct") ** 2
    )
    count = steps.group_by("series").len()["len"].cast(pl.Float64)
    freedom = float((2 * count**2 / (3 * count - 1)).sum())
    if freedom < 1:
        return USUAL_REPEATABILITY_PCT, None
    variance = float(np.sort(steps["square"].to_numpy()).mean()) / 2
    step = steps["resolution_pct"].median()
    rounding = step / 12**0.5 if isinstance(step, float) else 0.0
    bound = max(variance**0.5, rounding)
    p = chdtr(freedom, freedom * variance / USUAL_REPEATABILITY_PCT**2)
    if p >= _EXCLUDED_LEVEL or bound >= USUAL_REPEATABILITY_PCT:
        return USUAL_REPEATABILITY_PCT, None
    return bound, freedom


def _replicates(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one row per sitting with replicates: its readings, their spread and the step."""
    return pl.concat(
        [
            ledger.select(
                "meter_id",
                values=f"{stage}_biases_pct",
                spread=f"{stage}_spread_pct",
                freedom=pl.col(f"{stage}_replicates") - 1,
                resolution="resolution_pct",
            )
            for stage in _STAGES
        ]
    ).filter(pl.col("spread").is_not_null() & (pl.col("freedom") > 0))


def _sums(sittings: pl.DataFrame) -> pl.DataFrame:
    """Return per meter the sum of squares of its replicates, its freedom and its coarsest step."""
    return (
        sittings.with_columns(squares=pl.col("spread") ** 2 * pl.col("freedom"))
        .group_by("meter_id")
        .agg(
            pl.col("squares").sum(),
            pl.col("freedom").sum().cast(pl.Float64),
            pl.col("resolution").max(),
        )
        .sort("meter_id")
    )


def _net(sums: pl.DataFrame) -> Floats:
    """Return the sums of squares less δ²/12 a degree of freedom, which rounding adds to many."""
    squares, freedom, step = (
        sums[name].to_numpy() for name in ("squares", "freedom", "resolution")
    )
    return np.asarray(squares - freedom * step**2 / 12)


def _unlike(own: pl.DataFrame, *, level: float, of: PooledScatter | None = None) -> pl.DataFrame:
    """Return per meter its own standard deviation, and whether it is above that of all others."""
    squares, freedom = own["squares"].to_numpy(), own["freedom"].to_numpy()
    step, variance = own["resolution"].to_numpy(), squares / freedom
    net = _net(own)
    total, degrees, tested = net.sum(), freedom.sum(), own.height
    among = np.ones(own.height)
    if of is not None:
        total, degrees, tested = of.net, of.degrees, of.tested
        among = own["meter_id"].is_in(list(of.meters)).to_numpy().astype(np.float64)
    rest = np.maximum(degrees - among * freedom, 1.0)
    others = np.sqrt(np.maximum((total - among * net) / rest, (_LEAST * step) ** 2))
    expected = largest_rounded_variance(others, resolution=step)
    p = fdtrc(freedom, rest, variance / expected)
    return own.select(
        "meter_id",
        "freedom",
        own_sd=pl.Series(sheppard_sigma(np.sqrt(variance), resolution=step), dtype=pl.Float64),
        unlike=pl.Series(p < level / max(tested, 1), dtype=pl.Boolean),
    )


def largest_rounded_variance(sigma: npt.ArrayLike, *, resolution: npt.ArrayLike) -> Floats:
    """Return the variance of a rounded normal reading where rounding makes it largest.

    Parameters
    ----------
    sigma, resolution : array_like
        Standard deviation before rounding and step of the dial, both above 0, in one unit.

    Notes
    -----
    That is midway between two steps, where readings fall to either side.  A reading in the
    j-th cell from there (j = 0, 1 …) is off by (j + 1/2)·δ, so that the variance is
    δ²·(1/4 + Σ 2j·P(the j-th cell or one further off)).
    """
    spread, step = np.broadcast_arrays(
        np.asarray(sigma, dtype=np.float64), np.asarray(resolution, dtype=np.float64)
    )
    ratio = np.minimum(spread / step, _FINE)
    cells = np.arange(1, int(np.ceil(_REACH * ratio.max(initial=0.0))) + 2)
    beyond = 2 * ndtr(-cells / ratio[..., None])
    rounded = step**2 * (0.25 + (2 * cells * beyond).sum(axis=-1))
    return np.where(ratio < _FINE, rounded, spread**2 + step**2 / 12)


def _by_content(sittings: pl.DataFrame) -> pl.DataFrame:
    """Return sittings in an order that no name decides, so that the same ones are taken."""
    values = pl.col("values").list.eval(pl.element().round(9))
    mean = values.list.mean().abs().round(9)
    keys = [pl.col("resolution"), pl.col("freedom"), pl.col("spread").round(9), mean]
    return sittings.sort(*keys, values.list.max(), values.list.median())


def _pooled(sittings: pl.DataFrame) -> tuple[float | None, float | None]:
    """Return the standard deviation before rounding over all sittings and its freedom."""
    if sittings.is_empty():
        return None, None
    every = max(1, -(-sittings.height // _MOST_SITTINGS))
    taken = (
        _by_content(sittings)
        .gather_every(every)
        .with_row_index("visit")
        .with_columns(
            pl.col("visit").cast(pl.Int64),
            series=pl.lit(0, dtype=pl.Int64),
            phase=pl.lit(1, dtype=pl.Int64),
            t_years=pl.col("visit").cast(pl.Float64),
            value=pl.col("values").list.mean(),
            replicates=pl.col("freedom") + 1,
        )
    )
    baseline = set_baseline(taken, visits=taken.height)
    observations = observe_visits(baseline, read_readings(baseline))
    within, _ = pooled_within(observations, np.arange(len(observations.block)))
    return within, float(taken["freedom"].sum())
